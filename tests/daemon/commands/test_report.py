"""`clearbore report`, from a loaded database to the page."""

import contextlib
import importlib.util
import json
import pathlib
import re
import shutil
import stat

import pytest
from click.testing import CliRunner, Result

from config.errors import ClearboreError, ExtraMissing, InputMissing, OutputUnwritable, PlantFileError, StoreError
from daemon.cli import group
from daemon.store.opening import open_writer
from daemon.store.prepare import prepare_store
from tests.analysis.report.outline import Outline

SAMPLE_LOGS = pathlib.Path(__file__).parents[3] / "sample_logs"


def _run(*words: str) -> Result:
    return CliRunner().invoke(group, [*words])


def _fails(error: type[ClearboreError], *words: str) -> str:
    """Run a command that must fail with this error, and give its text."""
    result = _run(*words)

    assert isinstance(result.exception, error), result.output
    assert result.stdout == ""
    return str(result.exception)


@pytest.fixture(scope="module")
def rack(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    """The sample rack's plant file, its database beside it: carbon clogs from the 16th of September 2026."""
    plant = tmp_path_factory.mktemp("rack") / "rack.toml"
    shutil.copy(SAMPLE_LOGS / "lagoon_rack.toml", plant)
    for words in (
        ("load", str(plant), str(SAMPLE_LOGS / "carbon_clogging.csv.gz")),
        ("commission", str(plant), "--to", "2026-09-14T00:00:00Z"),
    ):
        result = _run(*words)
        assert result.exit_code == 0, result.output
    return plant


def test_page_is_written_beside_the_plant_file(rack: pathlib.Path) -> None:
    """Without options the page lands beside the plant file, and its path is all that is printed."""
    result = _run("report", str(rack))
    page = rack.with_name("rack_report.html")

    assert (result.exit_code, result.stdout) == (0, f"{page}\n")
    assert "Lagoon rack" in page.read_text(encoding="utf-8")
    assert stat.S_IMODE(page.stat().st_mode) & 0o400


def test_page_tells_the_finding(rack: pathlib.Path) -> None:
    """The clogging carbon branch is on the page as something to do."""
    page = rack.with_name("told.html")
    _run("report", str(rack), "--out", str(page))
    todo, rest = page.read_text(encoding="utf-8").split('<h2 id="found">')

    assert "carbon" in todo
    assert 'id="finding-A"' in rest


def test_page_shows_what_commissioning_fitted(rack: pathlib.Path) -> None:
    """The pump and every branch, a row and a mark each, with the figures that `clearbore commission` gives."""
    page = rack.with_name("fitted.html")
    _run("report", str(rack), "--out", str(page))
    fitted = json.loads(_run("commission", str(rack), "--to", "2026-09-14T00:00:00Z", "--json").stdout)["figures"]
    shown = [figure for figure in fitted if figure["kind"] != "reading"]
    text = page.read_text(encoding="utf-8")
    table = text.split("What commissioning made of the plant file", 1)[1].split("</table>", 1)[0]
    rows = [re.sub(r"<[^>]+>", "|", row) for row in table.split("<tbody>")[1].split("</tr>")[:-1]]
    by_name = {row.split("|")[3]: row for row in rows}

    assert len(shown) == len(rows) == 6
    for figure in shown:
        row = by_name[figure["subject"] or "pump, head"]
        assert f"|{figure['factor']:.2f}|" in row
        assert f"|{figure['factor_low']:.2f} to {figure['factor_high']:.2f}|" in row
        assert f"|{figure['catalogue_low']:.2f} to {figure['catalogue_high']:.2f}|" in row
        assert (
            f"{figure['factor']:.2f}, 90 % interval {figure['factor_low']:.2f} to" in text.split('id="fitted-text"')[1]
        )
    outline = Outline(text)
    assert (outline.faults, outline.open) == ([], [])
    assert len(outline.ids) == len(set(outline.ids))


def test_same_database_gives_the_same_page(rack: pathlib.Path) -> None:
    """Nothing of the clock or of chance is in the page."""
    pages = [rack.with_name(f"{name}.html") for name in ("first", "second")]
    for page in pages:
        _run("report", str(rack), "--out", str(page))

    assert pages[0].read_bytes() == pages[1].read_bytes()


def test_figures_as_json(rack: pathlib.Path) -> None:
    """With --json standard output is one JSON object, and no page is written unless it is named."""
    with contextlib.suppress(FileNotFoundError):
        rack.with_name("rack_report.html").unlink()
    figures = json.loads(_run("report", str(rack), "--json").stdout)

    assert figures["plant"] == "Lagoon rack"
    assert figures["findings"][0]["candidates"][0]["subject"] in ("carbon", "M4")
    assert not rack.with_name("rack_report.html").exists()


def test_json_and_page_together(rack: pathlib.Path) -> None:
    """With --json and --out both are given; the path goes to standard error."""
    page = rack.with_name("both.html")
    result = _run("report", str(rack), "--json", "--out", str(page))

    assert json.loads(result.stdout)["branches"]
    assert result.stderr == f"{page}\n"
    assert page.exists()


def test_week_looks_no_further_than_its_end(rack: pathlib.Path) -> None:
    """The report of a past week knows nothing of what came later, and has its last hour."""
    figures = json.loads(_run("report", str(rack), "--week", "2026-W38", "--json").stdout)

    assert (figures["week"], figures["to"]) == ("2026-W38", "2026-09-21T00:00:00Z")
    assert figures["last_reading_hour"] == "2026-09-20T23:00:00Z"
    assert all(finding["raised_at"] <= figures["to"] for finding in figures["findings"])


def test_until_cuts_the_readings(rack: pathlib.Path) -> None:
    """A time without a zone is the plant's own, 00:45 UTC in summer; the carbon did not clog then yet."""
    figures = json.loads(_run("report", str(rack), "--until", "2026-09-15T00:45", "--json").stdout)

    assert (figures["to"], figures["findings"]) == ("2026-09-15T00:00:00Z", [])


def test_week_names_its_page(rack: pathlib.Path) -> None:
    """Pages of different weeks do not overwrite each other."""
    assert _run("report", str(rack), "--week", "2026-W38").stdout == f"{rack.with_name('rack_report_2026-W38.html')}\n"


@pytest.mark.parametrize(
    ("option", "value"), [("--week", "2026-47"), ("--week", "2026-W60"), ("--until", "soon"), ("--until", "2026-13-01")]
)
def test_wrong_option_is_a_usage_error(rack: pathlib.Path, option: str, value: str) -> None:
    """What cannot be read is named, with exit code 2."""
    result = _run("report", str(rack), option, value)

    assert result.exit_code == 2
    assert option in result.stderr


def test_week_without_readings_is_told(rack: pathlib.Path) -> None:
    """A week after the last reading has no report."""
    assert "2027-W01" in _fails(InputMissing, "report", str(rack), "--week", "2027-W01")


def test_time_before_all_readings_is_told(rack: pathlib.Path) -> None:
    """Before the first reading there is nothing to say."""
    assert "no readings" in _fails(InputMissing, "report", str(rack), "--until", "2020-01-01")


def test_missing_database_is_told(rack: pathlib.Path) -> None:
    """A database that is not there is named, and what makes one."""
    assert "clearbore load" in _fails(InputMissing, "report", str(rack), "--db", str(rack.with_name("none.db")))


def test_file_that_is_no_database_is_told(rack: pathlib.Path) -> None:
    """A wrong --db is an error of the store."""
    _fails(StoreError, "report", str(rack), "--db", str(rack))


def test_empty_database_is_told(rack: pathlib.Path) -> None:
    """A database that holds nothing yet says what comes first."""
    db = rack.with_name("empty.db")
    prepare_store(db)

    assert "has not been commissioned" in _fails(InputMissing, "report", str(rack), "--db", str(db))


def test_plant_must_have_been_commissioned(rack: pathlib.Path) -> None:
    """Readings without a baseline ask for commissioning."""
    db = rack.with_name("raw.db")
    shutil.copy(rack.with_suffix(".db"), db)
    with contextlib.closing(open_writer(db)) as connection:
        connection.execute("DELETE FROM baseline")

    assert "clearbore commission" in _fails(InputMissing, "report", str(rack), "--db", str(db))


def test_faulty_plant_file_is_told(tmp_path: pathlib.Path) -> None:
    """A plant file with faults is refused with them."""
    plant = tmp_path / "rack.toml"
    plant.write_text("[plant]\nname = 3\n")

    _fails(PlantFileError, "report", str(plant))


def test_folder_that_is_not_there_is_told(rack: pathlib.Path) -> None:
    """A page that cannot be written is an error that names it, and leaves nothing behind."""
    _fails(OutputUnwritable, "report", str(rack), "--out", str(rack.parent / "none" / "page.html"))

    assert not list(rack.parent.glob(".*.part"))


def test_missing_package_is_named(rack: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On the base install the command says what to install."""
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "matplotlib" else find(name))

    assert "pip install 'clearbore[all]'" in _fails(ExtraMissing, "report", str(rack))


def test_page_draws_the_manifold_and_the_pump(rack: pathlib.Path) -> None:
    """The schematic marks the finding on its branch, and the pump is shown as commissioned."""
    page = rack.with_name("drawn.html")
    _run("report", str(rack), "--out", str(page))
    text = page.read_text(encoding="utf-8")

    told = re.findall(r'<desc id="plan0-text">(.*?)</desc>', text)[0]
    assert re.search(r"carbon, from tee 4 to its outlet: [^;]*finding A", told)
    assert '<title id="commissioned-title">Pump and manifold as commissioned</title>' in text
