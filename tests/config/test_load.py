"""Reading plant files from disk."""

from pathlib import Path

import pytest

from config.errors import InputMissing, InputUnusable, PlantFileError
from config.load import MAX_BYTES, load_plant
from tests.support.plant_files import REEF


def test_a_plant_file_knows_where_it_came_from(tmp_path: Path) -> None:
    """Path and plant, from a text path or a Path."""
    file = tmp_path / "reef.toml"
    file.write_text(REEF, encoding="utf-8")

    assert load_plant(file).path == str(file)
    assert load_plant(str(file)) == load_plant(file)


@pytest.mark.parametrize("prefix", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("line_end", [b"\n", b"\r\n"])
def test_byte_order_mark_and_line_ends_of_other_systems(tmp_path: Path, prefix: bytes, line_end: bytes) -> None:
    """What editors on other systems write, read as ever, with the lines counted alike."""
    file = tmp_path / "reef.toml"
    file.write_bytes(prefix + REEF.replace("35 g/kg", "35 g/l").encode().replace(b"\n", line_end))
    with pytest.raises(PlantFileError) as caught:
        load_plant(file)

    (fault,) = caught.value.faults
    assert (fault.line, fault.where) == (8, "water: salinity")


def test_a_missing_file(tmp_path: Path) -> None:
    """Exit code 66, no input."""
    with pytest.raises(InputMissing, match="there is no such plant file") as caught:
        load_plant(tmp_path / "none.toml")

    assert caught.value.exit_code == 66


def test_a_folder(tmp_path: Path) -> None:
    """Named instead of the file in it."""
    with pytest.raises(InputUnusable, match="this is a folder"):
        load_plant(tmp_path)


def test_a_path_that_no_system_can_open() -> None:
    """A NUL in the name."""
    with pytest.raises(InputUnusable, match="cannot be opened"):
        load_plant("a\0b")


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_other_encodings_are_told_with_their_line(tmp_path: Path, encoding: str) -> None:
    """What a text editor writes when it is not told otherwise."""
    file = tmp_path / "reef.toml"
    file.write_bytes("# eins\n# zwölf °C\n".encode(encoding))
    with pytest.raises(PlantFileError, match="save the file as UTF-8") as caught:
        load_plant(file)

    assert caught.value.faults[0].line == {"utf-16": 1, "latin-1": 2}[encoding]


def test_a_file_far_too_large_is_not_read_whole(tmp_path: Path) -> None:
    """Somebody named the database, or a log."""
    file = tmp_path / "big.toml"
    file.write_bytes(b"#" * (MAX_BYTES + 10))
    with pytest.raises(PlantFileError, match="is this a plant file"):
        load_plant(file)


def test_a_plant_of_bores_and_k_values_as_other_programs_write_it(tmp_path: Path) -> None:
    """No tables that may be left out, long decimals, exponents, outlets at the sump's own level."""
    file = tmp_path / "written.toml"
    file.write_text(
        '[plant]\nname = "study 7"\nflow_unit = "L/min"\n[pump]\ncurve = [["0.0 L/min", "5.2 m"], ["75.0 L/min", "3.6 m"],'
        ' ["150.0 L/min", "0.4 m"]]\n[[run]]\nname = "trunk"\nfrom = "pump"\nto = "tee 0"\npath = [\n'
        '  { bore = "36.0 mm", length = "1.1 m", roughness = "0.0015 mm" },\n  { K = 3.0 },\n]\nmeter = "all"\n'
        '[[run]]\nname = "media"\nfrom = "tee 0"\noutlet = "0.0000 m"\npath = [\n'
        '  { bore = "20.0 mm", length = "1.2 m", roughness = "1.5e-03 mm" },\n  { K = 163.811 },\n'
        '  { device = "bed", loss = [["5e+00 L/min", "0.10000001 m"], ["10 L/min", "0.4 m"]] },\n]\n'
        'target = { low = "8.46 L/min" }\nmedia = "granular"\n'
        '[[meter]]\nname = "all"\npulses_per_litre = 11.5\ncounter_bits = 16\n',
        encoding="utf-8",
    )
    plant = load_plant(file).plant

    assert [run.name for run in plant.branches] == ["media"]
    assert (plant.runs[1].outlet_m, plant.runs[1].target) != (None, None)
    assert plant.meters[0].source is None
    assert plant.run_of_meter("all") is plant.runs[0]
