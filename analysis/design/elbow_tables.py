"""What published tables say of elbows: they differ by a factor of four, and not even in the same direction.

All for 3/4 in pipe, the 2-K and 3-K forms at Re 15,000. Only the ratios to Crane's values are used, at every size.

Sources: Crane TP-410 (30, 16 and 14 fT). Darby's 3-K and Hooper's 2-K with their published constants, evaluated.
Rennels and Hudson (2012) by radius of the bend over its bore, evaluated with the library `fluids`. PVC equivalent
lengths from open makers' tables, with the friction at Re 20,000. Perry's table of minor losses. International
Residential Code 2018, table A.2.2. Threaded fittings: an open table of minor loss coefficients. Screwed fittings: HVAC
Pump Handbook (2006), tables 3.8 and 3.9.
"""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats
from config.plant import FittingKind

# Where a table has no long sweep: the median of those that have one, as a share of their own 90 elbow.
LONG_SHARE = 0.53


@dataclass(frozen=True, slots=True, kw_only=True)
class ElbowTable:
    """K of one 90 elbow, one 45 elbow and one long sweep, by one source."""

    source: str
    k_90: float
    k_45: float
    k_90_long: float | None = None


TABLES = (
    ElbowTable(source="Crane TP-410", k_90=0.711, k_45=0.379, k_90_long=0.332),
    ElbowTable(source="PVC equivalent lengths", k_90=0.81, k_45=0.45),
    ElbowTable(source="Darby 3-K", k_90=0.804, k_45=0.429, k_90_long=0.449),
    ElbowTable(source="Hooper 2-K", k_90=0.939, k_45=0.476, k_90_long=0.496),
    ElbowTable(source="Perry", k_90=0.75, k_45=0.35, k_90_long=0.45),
    ElbowTable(source="Residential Code (gas pipe)", k_90=0.90, k_45=0.42),
    ElbowTable(source="Rennels, radius 1 bore", k_90=0.447, k_45=0.271, k_90_long=0.311),
    ElbowTable(source="Rennels, tight corner", k_90=1.282, k_45=0.444),
    ElbowTable(source="threaded fittings", k_90=1.5, k_45=0.4, k_90_long=0.7),
    ElbowTable(source="HVAC Pump Handbook, screwed", k_90=1.70, k_45=0.35, k_90_long=0.85),
)


def elbow_factors(kind: FittingKind) -> Floats:
    """[S] K of a kind of elbow by each table, as a factor on Crane's; ones for what is no elbow.

    Args:
        kind: of fitting.

    Returns:
        [S] factors, in the order of `TABLES`.
    """
    values = np.array([_k(table, kind) for table in TABLES])
    return np.asarray(values / values[0])


def _k(table: ElbowTable, kind: FittingKind) -> float:
    match kind:
        case FittingKind.ELBOW_90:
            return table.k_90
        case FittingKind.ELBOW_45:
            return table.k_45
        case FittingKind.ELBOW_90_LONG:
            return LONG_SHARE * table.k_90 if table.k_90_long is None else table.k_90_long
        case _:
            return 1.0
