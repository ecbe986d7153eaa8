"""Changes to be tried: text to edits, and what is said of a text that is none."""

import pytest

from config.change import read_change
from config.edits import CurveEdit, FittingEdit, MediaEdit, OutletEdit, PipeEdit, SpeedEdit, ValveEdit
from config.errors import ChangeError
from config.plant import FittingKind, ValveKind
from tests.support.example_plants import example_plant, with_run

INCH_M = 0.0254


def edit_of(text: str) -> tuple[object, tuple[str, ...]]:
    """The one edit of a change of the plant of six branches, and the runs that it is for."""
    (found,) = read_change(text, example_plant()).edits
    return found


def fault_of(text: str) -> str:
    """What is said of a change that cannot be made to the plant of six branches."""
    with pytest.raises(ChangeError) as caught:
        read_change(text, example_plant())
    return str(caught.value)


def test_a_pipe_for_another_in_a_whole_run() -> None:
    """Both sizes are read by the bores of ASTM D1785: 0.546 in for 1/2 in sch 80, 1.049 in for 1 in sch 40."""
    edit, runs = edit_of("carbon: pipe 1/2 in sch 80 -> 1 in sch 40")

    assert isinstance(edit, PipeEdit)
    assert edit.bore_m == pytest.approx(0.546 * INCH_M)
    assert edit.pipe.bore_m == pytest.approx(1.049 * INCH_M)
    assert (edit.hose, edit.up_to_valve, edit.pipe.nominal_in, runs) == (False, False, 1.0, ("carbon",))


def test_a_pipe_up_to_the_valve() -> None:
    """The words behind the new size bound the change."""
    edit, _ = edit_of("carbon: pipe -> 1 in sch 40 up to the valve")

    assert isinstance(edit, PipeEdit)
    assert (edit.bore_m, edit.up_to_valve) == (None, True)


def test_a_pattern_finds_several_runs() -> None:
    """header* stands for all four header runs, in file order."""
    _, runs = edit_of("header*: pipe -> 40.9 mm")

    assert runs == ("header 1", "header 2", "header 3", "header 4")


def test_a_pattern_leaves_out_runs_without_the_element() -> None:
    """Of all runs only those with a 90 elbow are found for one."""
    _, runs = edit_of("*: elbow 90 -> elbow 90 long")

    assert runs == ("riser", "return", "steriliser")


def test_hoses_go_by_their_bore() -> None:
    """A hose is told from a pipe, and both its bores are lengths."""
    edit, runs = edit_of("phosphate: hose 12.7 mm -> 16 mm")

    assert isinstance(edit, PipeEdit)
    assert (edit.hose, edit.bore_m, edit.pipe.bore_m, runs) == (True, 0.0127, 0.016, ("phosphate",))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("elbow 90 -> 2 x elbow 45", (FittingKind.ELBOW_90, None, FittingKind.ELBOW_45, 2)),
        ("elbow 90 -> elbow 90 long", (FittingKind.ELBOW_90, None, FittingKind.ELBOW_90_LONG, 1)),
        ("elbow 90 → none", (FittingKind.ELBOW_90, None, None, 0)),
        ("1 x Elbow  90 -> none", (FittingKind.ELBOW_90, 1, None, 0)),
        ("2 x elbow 90 -> 3 x elbow 45", (FittingKind.ELBOW_90, 2, FittingKind.ELBOW_45, 3)),
    ],
)
def test_fittings_for_others(text: str, expected: tuple[object, ...]) -> None:
    """Kinds and counts on both sides of the arrow, in any case, with either arrow."""
    edit, _ = edit_of(f"steriliser: {text}")

    assert isinstance(edit, FittingEdit)
    assert (edit.old, edit.count, edit.new, edit.new_count) == expected


@pytest.mark.parametrize(
    ("text", "kind", "closed_deg"),
    [
        ("carbon: ball_valve 60 %", ValveKind.BALL, 36.0),
        ("carbon: ball_valve 30 deg", ValveKind.BALL, 30.0),
        ("scrubber: gate_valve 25 %", ValveKind.GATE, 67.5),
    ],
)
def test_valves_are_set(text: str, kind: ValveKind, closed_deg: float) -> None:
    """By opening or turn, as in the plant file."""
    edit, _ = edit_of(text)

    assert isinstance(edit, ValveEdit)
    assert edit.valve.kind is kind
    assert edit.valve.closed_deg == pytest.approx(closed_deg)


def test_media_outlet_and_pump() -> None:
    """A factor, a height, a speed and a curve in any unit."""
    curve = edit_of("pump: curve 0 gph 12 ft, 900 gal/h 8.5 ft, 1550 gph 1 ft")[0]

    assert edit_of("carbon: media x 2.5")[0] == MediaEdit(factor=2.5)
    assert edit_of("carbon: outlet 50 cm")[0] == OutletEdit(outlet_m=0.5)
    assert edit_of("pump: speed 80 %") == (SpeedEdit(speed=0.8), ())
    assert isinstance(curve, CurveEdit)
    assert curve.curve[1] == pytest.approx((900 * 231 * INCH_M**3 / 3600, 8.5 * 0.3048))


def test_several_edits_in_one_change() -> None:
    """Edits stand in their order, parted by semicolons."""
    change = read_change("steriliser: elbow 90 -> none; ball_valve 90 %", example_plant())

    assert [type(edit) for edit, _ in change.edits] == [FittingEdit, ValveEdit]


def test_a_name_with_a_colon() -> None:
    """A run whose name holds a colon is found by its whole name."""
    plant = with_run(example_plant(), "carbon", name="row 2: carbon")

    (found,) = read_change("row 2: carbon: media x 2", plant).edits

    assert found == (MediaEdit(factor=2.0), ("row 2: carbon",))


@pytest.mark.parametrize(
    ("text", "part", "hint"),
    [
        ("carbon media x 2", "carbon media x 2", "a colon"),
        ("carbn: media x 2", "'carbn'", "did you mean 'carbon'?"),
        ("carbon:", "carbon:", "behind its colon"),
        ("carbon: pipe 3/4 in sch 40 -> 1 in sch 40", "3/4 in sch 40", "there: 1/2 in sch 80"),
        ("carbon: pipe 1/2 in sch 80 -> 7 in sch 40", "7 in sch 40", "sizes are 3/8, 1/2"),
        ("carbon: pipe 1/2 in sch 80 ->", "->", "no new size"),
        ("carbon: elbow 90 -> none", "elbow 90 -> none", "2 x elbow 45"),
        ("steriliser: 3 x elbow 90 -> none", "3 x elbow 90", "2 x elbow 90"),
        ("steriliser: elbow 91 -> none", "elbow 91", "did you mean 'elbow 90'?"),
        ("steriliser: elbow 90", "elbow 90", "no arrow"),
        ("steriliser: elbow 90 -> elbow 45 -> none", "->", "more than one arrow"),
        ("steriliser: 0 x elbow 90 -> none", "0", "1 to 100"),
        ("scrubber: ball_valve 60 %", "ball_valve 60 %", "gate valve"),
        ("carbon: ball_valve 60", "60", '"60 %" open'),
        ("scrubber: media x 2", "media x 2", "nothing of that sort"),
        ("carbon: media 2", "media 2", "media x 2"),
        ("carbon: speed 80 %", "speed 80 %", "pump: speed"),
        ("header 1: outlet 1 m", "outlet 1 m", "ends at the node tee 2"),
        ("carbon: vlave 3", "vlave 3", "no change that can be tried"),
        ("pump: head 3 m", "head 3 m", "speed or its curve"),
        ("pump: speed 80", "'80'", "write a percentage"),
        ("pump: curve 8", "'8'", "no point of a curve"),
        ("pump: curve 0 L/h 3 m, 900 L/h 4 m", "curve", "must fall"),
    ],
)
def test_a_fault_says_which_part_and_what_there_is(text: str, part: str, hint: str) -> None:
    """The part that is wrong stands in the message, with what would do."""
    message = fault_of(text)

    assert part in message
    assert hint in message


def test_a_change_that_cannot_be_read_is_a_usage_error() -> None:
    """The exit code is that of usage."""
    assert ChangeError("x").exit_code == 2
