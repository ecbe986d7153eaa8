"""The job of every ten minutes: judge what came in, and leave what was found in the database. Imports numpy."""

import pathlib
from collections.abc import Sequence
from typing import Any

from analysis.assessment import Assessment, Finding
from config.settings import PlantFile
from daemon.assessing import assess_stored
from daemon.diagnose_words import json_of
from daemon.store.findings import CLEARED, StoredFinding, keep_findings
from daemon.store.notes import write_note
from daemon.upkeep import derive_hours, hours_behind, second_writer


def assess_and_keep(plant_file: PlantFile, db: pathlib.Path, *, now_s: float) -> str:
    """Assess what the database holds, keep the findings and a note of how the meters stand, and say how many are open.

    Raises:
        InputMissing: no readings, or the plant has not been commissioned.
        StoreError: the database cannot be read or written.
    """
    with second_writer(db) as connection:
        if hours_behind(connection):
            derive_hours(connection, plant_file)
    known = assess_stored(plant_file, db, until_s=None, isolability=False).assessment
    said = json_of(known)
    findings = [_stored(finding, body) for finding, body in zip(known.findings, said["findings"], strict=True)]
    with second_writer(db) as connection:
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
