"""Nominal pipe sizes against tables of others."""

import re
import tomllib
from pathlib import Path

import pytest
from fluids.piping import nearest_pipe
from hypothesis import given
from hypothesis import strategies as st

from config.errors import QuantityError
from config.pipes import NOMINAL_SIZES, PIPE_PATTERN, SCHEDULES, bore_of, pipe_size

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "published" / "pipe_sizes.toml").read_text())
NOMINAL_IN = {"3/8": 0.375, "1/2": 0.5, "3/4": 0.75, "1": 1, "1-1/4": 1.25, "1-1/2": 1.5, "2": 2, "2-1/2": 2.5, "3": 3}


@pytest.mark.parametrize("schedule", SCHEDULES)
@pytest.mark.parametrize("size", NOMINAL_SIZES)
def test_bores_are_those_of_astm_d1785(size: str, schedule: int) -> None:
    """Source: the ASTM D1785 tables of the fluids library, nearest_pipe(NPS=..., schedule='40D1785'|'80D1785')."""
    _, inner_m, _, _ = nearest_pipe(
        NPS=NOMINAL_IN[size],  # type: ignore[arg-type] # annotated as int, documented as float
        schedule=f"{schedule}D1785",
    )

    assert pipe_size(f"{size} in sch {schedule}").bore_m == pytest.approx(inner_m, abs=1e-9)


@pytest.mark.parametrize(("size", "inner_in"), PUBLISHED["irc_2018_table_a_2_2"]["inner_diameter_in"].items())
def test_schedule_40_bores_are_those_of_the_building_code(size: str, inner_in: float) -> None:
    """Source: IRC 2018, table A.2.2, to the three decimals printed."""
    assert bore_of(NOMINAL_IN[size], 40) / 0.0254 == pytest.approx(inner_in, abs=0.0005)


@pytest.mark.parametrize(
    "text",
    [
        "1-1/2 in sch 40",
        "1 1/2 in sch 40",
        "1.5 in sch 40",
        '1-1/2" sch40',
        "1-1/2 IN SCH. 40",
        "1-1/2 inch, schedule 40",
        "1-1/2 sch 40",
    ],
)
def test_usual_ways_to_write_a_size(text: str) -> None:
    """One pipe, one name, whatever way it was written; the schema for editors agrees."""
    size = pipe_size(text)

    assert (size.name, size.nominal_in) == ("1-1/2 in sch 40", 1.5)
    assert re.search(PIPE_PATTERN, text)


@pytest.mark.parametrize(
    "text", ["1-1/8 in sch 40", "1 in sch 120", "4 in sch 40", "1 in", "40 mm", "", "3/0 in sch 40", 1, None]
)
def test_other_pipes_are_refused_with_what_to_write(text: object) -> None:
    """The message says that the bore itself may be given."""
    with pytest.raises(QuantityError, match=re.escape('bore = "26.6 mm"')):
        pipe_size(text)


@given(st.text(alphabet='0123456789-/. insch"', max_size=20))
def test_any_text_is_a_size_or_refused(text: str) -> None:
    """What the program takes, the schema for editors takes too."""
    try:
        pipe_size(text)
    except QuantityError:
        return

    assert re.search(PIPE_PATTERN, text)
