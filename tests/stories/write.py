"""Write the sample logs again: `python -m tests.stories.write [FOLDER]`, from the checkout's top."""

import gzip
import sys
from pathlib import Path

from tests.stories.stories import STORIES, Told, tell

SAMPLE_LOGS = Path(__file__).parents[2] / "sample_logs"


def packed(text: str) -> bytes:
    """The text, gzipped the same way every time: no name and no time inside."""
    return gzip.compress(text.encode(), compresslevel=9, mtime=0)


def loss_lines(told: Told) -> list[str]:
    """What each branch truly loses, day by day, against its second day: to check a promise by."""
    lines = []
    for name, flow_lpm in told.flow_lpm.items():
        daily = flow_lpm.reshape(-1, 24).mean(axis=1)
        change = " ".join(f"{value:+.1f}" for value in 100 * (daily / daily[1] - 1))
        lines.append(f"  {name}: {change} %")
    return lines


def main(folder: Path) -> None:
    """Write every story's log and events into the folder."""
    for story in STORIES:
        told = tell(story)
        log = packed(told.log)
        (folder / f"{story.name}.csv.gz").write_bytes(log)
        if told.events:
            (folder / f"{story.name}_events.csv").write_text(told.events, newline="\n")
        print(f"{story.name}: {told.log.count(chr(10)) - 1} lines, {len(log) / 1e6:.2f} MB")  # noqa: T201 - a script
        print("\n".join(loss_lines(told)))  # noqa: T201 - a script


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLE_LOGS)
