"""Orders of rows. Imports numpy: not for the always-on process."""

import numpy as np

from analysis.frames import Ints

_FEW = np.iinfo(np.uint16).max


def stable_order(key: Ints) -> Ints:
    """The order that sorts keys of 0 and more, [N]; equal ones stay as they are. Few different keys sort by counting."""
    if key.max(initial=0) > _FEW:
        return np.argsort(key, kind="stable")
    return np.argsort(key.astype(np.uint16), kind="stable")


def side_by_side(key: Ints, *others: Ints) -> tuple[Ints, ...]:
    """Arrays [N] in the order of `stable_order(key)`; `key` first."""
    order = stable_order(key)
    return tuple(side.take(order) for side in (key, *others))
