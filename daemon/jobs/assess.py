"""The job of every ten minutes: judge what came in, and leave what was found in the database. Imports numpy."""

import pathlib
from collections.abc import Callable, Sequence
from typing import Any

from analysis.assessment import Assessment, Finding
from config.settings import PlantFile
from daemon.assessing import assess_stored
from daemon.diagnose_words import json_of
from daemon.store.findings import CLEARED, StoredFinding, keep_findings
from daemon.store.notes import write_note
from daemon.store.opening import transaction
from daemon.upkeep import derive_hours, hours_behind, second_writer


def assess_and_keep(
    plant_file: PlantFile, db: pathlib.Path, *, now_s: float, wait: Callable[[pathlib.Path], None] = lambda _db: None
) -> str:
    """Assess what the database holds, keep the findings and a note of how the meters stand, and say how many are open.

    Nothing is written before all is known, and then all of it at once: hours that are behind, findings, and the note.

    Args:
        plant_file: the plant.
        db: the database, which nobody in this process has open.
        now_s: UTC epoch seconds.
        wait: is called before anything is written (daemon.jobs.turn).

    Raises:
        InputMissing: no readings, or the plant has not been commissioned.
        StoreError: the database cannot be read or written.
    """
    known = assess_stored(plant_file, db, until_s=None, isolability=False, watching=True).assessment
    said = json_of(known)
    findings = [_stored(finding, body) for finding, body in zip(known.findings, said["findings"], strict=True)]
    wait(db)
    with second_writer(db, can_be_redone=True) as connection:
        if hours_behind(connection):
            derive_hours(connection, plant_file)
        with transaction(connection):
            keep_findings(connection, findings, assessed_ms=1000 * known.now_s)
            write_note(connection, "assessment", at_ms=round(1000 * now_s), body=_summary(known, said["meters"]))
    standing = [finding for finding in findings if finding.over_ms is None]
    return "; ".join(finding.summary for finding in standing) or "nothing is wrong"


def _stored(finding: Finding, body: dict[str, Any]) -> StoredFinding:
    """One finding."""
    over_s = finding.cleared_at_s
    return StoredFinding(
        id=finding.id,
        raised_ms=1000 * finding.raised_at_s,
        over_ms=None if over_s is None else 1000 * over_s,
        ended=None if over_s is None else CLEARED,
        status=finding.status.value,
        summary=finding.summary,
        action=finding.action,
        body=body,
    )


def _summary(known: Assessment, meters: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """How pump and meters stood, and up to when readings were used (UTC epoch seconds)."""
    return {
        "until_s": known.now_s,
        "open": sum(finding.cleared_at_s is None for finding in known.findings),
        "pump": {"status": known.pump_status.value, "reason": known.pump_reason},
        "meters": meters,
    }
