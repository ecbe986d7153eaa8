"""Orders of rows. Imports numpy: not for the always-on process."""

import numpy as np

from analysis.frames import Ints

_FEW = np.iinfo(np.uint16).max


def stable_order(key: Ints) -> Ints:
    """The order that sorts keys of 0 and more, [N]; equal ones stay as they are. Few different keys sort by counting."""
    most = int(key.max(initial=0))
    if most > _FEW:
        return np.argsort(key, kind="stable")
    rounds, left = divmod(len(key), most + 1)
    if not left and (key.reshape(rounds, most + 1) == np.arange(most + 1)).all():  # each in its turn, again and again
        return np.arange(len(key)).reshape(rounds, most + 1).T.ravel()
    return np.argsort(key.astype(np.uint16), kind="stable")
