"""Faults of the tree of runs, and of the names that tables call each other by."""

import pytest

from tests.support.plant_files import REEF, changed, faults_of

LOOSE = '\n[[run]]\nname = "{name}"\nfrom = "{start}"\n{end}\npath = [{{ hose = "12 mm", length = "1 m" }}]\n'


def run_text(name: str, start: str, end: str) -> str:
    """One more run."""
    return LOOSE.format(name=name, start=start, end=end)


def said(text: str) -> list[tuple[str, str]]:
    """Where and what of every fault."""
    return [(fault.where, fault.what) for fault in faults_of(text)]


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        (changed('name = "carbon"', 'name = "display"'), "run display: name", "another run is called 'display'"),
        (REEF + '[[meter]]\nname = "M1"\npulses_per_litre = 1\n', "meter M1: name", "another meter is called 'M1'"),
        (REEF + '[[mqtt]]\nname = "shed"\nhost = "h"\n', "mqtt shed: name", "another broker is called 'shed'"),
        (REEF + '[[serial]]\nname = "bench"\nport = "/p"\n', "serial bench: name", "another serial port"),
        (
            changed('outlet = "20 cm"', 'to = "nowhere"').replace("target =", "# ").replace("media =", "# "),
            "run carbon: to",
            "leads nowhere",
        ),
        (changed('outlet = "20 cm"', ""), "run carbon", "where does it end?"),
        (changed('outlet = "20 cm"', 'outlet = "20 cm"\nto = "tee 9"'), "run carbon: outlet", "not both"),
        (REEF + run_text("x", "tee 1", 'outlet = "1 m"'), "run x: from", "did you mean 'tee'"),
        (REEF + run_text("x", "TEE", 'outlet = "1 m"'), "run x: from", "did you mean 'tee'"),
        (REEF + run_text("x", "riser", 'outlet = "1 m"'), "run x: from", "did you mean 'tee', where that run ends?"),
        (REEF + run_text("x", "tee", 'to = "tee"'), "run x: to", "run 'riser' ends at 'tee' too"),
        (REEF + run_text("x", "tee", 'to = "pump"'), "run x: to", "no run leads back to the pump"),
        (changed('to = "tee"', 'to = "tee"\nmedia = "sponge"'), "run riser: media", "belongs to a branch"),
        (changed('to = "tee"', 'to = "tee"\nsubmerged = true'), "run riser: submerged", "belongs to a branch"),
        (changed('to = "tee"', 'to = "tee"\ntarget = { low = "1 L/h" }'), "run riser: target", "belongs to a branch"),
        (changed('meter = "M2"', 'meter = "M1"'), "run carbon: meter", "sits on run 'display' already"),
        (
            changed('meter = "M2"', 'meter = "M3"'),
            "run carbon: meter",
            "there is no meter 'M3': write a [[meter]] table",
        ),
        (changed('serial = "bench"', 'serial = "desk"'), "meter M1: source: serial", "write a [[serial]] table"),
        (changed('mqtt = "shed"', 'mqtt = "shedd"'), "meter M2: source: mqtt", "did you mean 'shed'"),
        (REEF + '[[serial]]\nname = "b"\nport = "/dev/ttyUSB0"\n', "serial b: port", "'bench' is this port already"),
        (
            REEF + '[[meter]]\nname = "M3"\npulses_per_litre = 1\nsource = { serial = "bench", channel = 1 }\n',
            "meter M3: source",
            "meter 'M1' is fed from the same channel",
        ),
        (
            REEF
            + '[[meter]]\nname = "M3"\npulses_per_litre = 1\nsource = { mqtt = "shed", topic = "rack/2", pulses = "/pulses" }\n',
            "meter M3: source",
            "meter 'M2' is fed from the same topic",
        ),
    ],
)
def test_a_fault_of_the_tree_stands_alone(text: str, where: str, what: str) -> None:
    """One wrong thing gives one fault, which says what to write."""
    ((said_where, said_what),) = said(text)

    assert said_where == where
    assert what in said_what


def test_two_counts_of_one_message_are_two_meters() -> None:
    """The same topic with another pointer is another count."""
    extra = (
        '[[meter]]\nname = "M3"\npulses_per_litre = "x"\nsource = { mqtt = "shed", topic = "rack/2", pulses = "/b" }\n'
    )

    assert [where for where, _ in said(REEF + extra)] == ["meter M3: pulses_per_litre"]


def test_a_loop_is_told_once_with_its_runs() -> None:
    """Even when runs hang from it that are not part of it, whichever comes first in the file."""
    loop = run_text("a", "n3", 'to = "n1"') + run_text("b", "n1", 'to = "n2"') + run_text("c", "n2", 'to = "n3"')
    branch = run_text("d", "n2", 'outlet = "1 m"')
    for faults in (said(REEF + loop + branch), said(REEF + branch + loop)):
        assert len(faults) == 1
        assert faults[0][0] == "run a: from"
        assert any(f"a loop: {way} lead" in faults[0][1] for way in ("a -> b -> c", "b -> c -> a", "c -> a -> b"))


def test_two_loops_are_two_faults() -> None:
    """Each with its own runs."""
    text = REEF + run_text("a", "n2", 'to = "n1"') + run_text("b", "n1", 'to = "n2"') + run_text("c", "n", 'to = "n"')

    assert [where for where, _ in said(text)] == ["run a: from", "run c: from"]


def test_a_very_long_chain_is_refused_in_good_time() -> None:
    """Thousands of runs are a slip of a script, not a plant; all that is wrong is said once."""
    chain = "".join(run_text(f"r{n}", f"n{n}", f'to = "n{n + 1}"') for n in range(3000))
    ((where, what),) = said(
        REEF + run_text("first", "tee", 'to = "n0"') + chain + run_text("x", "n3000", 'outlet = "1 m"')
    )

    assert (where, what) == ("run", "has more entries than 500")


def test_a_run_that_bites_its_own_tail_is_a_loop() -> None:
    """From a node to the same node."""
    ((where, what),) = said(REEF + run_text("x", "n", 'to = "n"'))

    assert where == "run x: from"
    assert "a loop: x lead" in what


def test_a_plant_needs_a_branch_and_a_run_at_the_pump() -> None:
    """A tree that is only a loop has neither."""
    head = REEF[: REEF.index("[[run]]")]
    faults = said(head + run_text("x", "n", 'to = "n"'))

    assert ("run", 'no run is a branch: give at least one an outlet, like outlet = "20 cm"') in faults
    assert ("run", 'no run starts at the pump: write from = "pump" in the first one') in faults


def test_a_run_without_a_pipe_has_no_bore() -> None:
    """Its fittings would refer to nothing."""
    head = REEF[: REEF.index("[[run]]")]
    ((where, what),) = said(head + '[[run]]\nname = "x"\nfrom = "pump"\noutlet = "1 m"\npath = [{ exit = true }]\n')

    assert where == "run x: path"
    assert "no pipe" in what


def test_faults_of_the_tree_are_told_even_where_values_are_wrong() -> None:
    """A name that is no text stops nothing else."""
    text = changed('name = "riser"', "name = 5").replace(
        'from = "tee"\noutlet = "20 cm"', 'from = "te"\noutlet = "20 cm"'
    )

    assert [where for where, _ in said(text)] == ["run[1]: name", "run carbon: from"]
