"""How well the diagnosis does on labelled scenarios, beside simpler ways and beside an oracle, in one run.

    python tests/bench/diagnosis.py [--json] [--scenarios 60] [--profile standard|hard] [--seed 7001] [--jobs 2] [--worst K]
        [--cases]

Manifolds of 3 to 8 branches drawn at random, solved by the EPANET engine; weeks of hours with wander, feed pauses, power
cuts, counter resets, logged speeds and media; a fault of every kind, or none. Commissioned on the first healthy days and
assessed by `analysis.assess.assess`, which uses for each time nothing later. Peers: a 5 % rule and a textbook CUSUM.
The oracle knows plant, noise and the fault's course: its bound is the least delay that the readings allow at 0.1 false
alarms a branch-year. Change priors and limits by other seeds than you report.
"""

import argparse
import contextlib
import json
import multiprocessing
import pathlib
import sys
import time
from collections.abc import Iterator
from functools import partial

import click

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))  # run as a script, the folder above is not on the path

from tests.bench.diagnosis_parts.life import PROFILES
from tests.bench.diagnosis_parts.tables import cases, forecast_cases, people, plain, worst
from tests.bench.diagnosis_parts.trial import Trial, run_trial


def run_trials(task: "partial[Trial]", numbers: list[int], jobs: int) -> list[Trial]:
    """All trials, in order of their numbers, by so many processes; a bar on standard error if a person watches."""
    with contextlib.ExitStack() as stack:
        trials = stack.enter_context(
            click.progressbar(
                _each(task, numbers, jobs),
                length=len(numbers),
                label="scenarios",
                file=sys.stderr,
                hidden=not sys.stderr.isatty(),
            )
        )
        return sorted(trials, key=lambda trial: trial.number)


def _each(task: "partial[Trial]", numbers: list[int], jobs: int) -> Iterator[Trial]:
    """Trials as they are done."""
    if jobs == 1:
        yield from map(task, numbers)
        return
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap_unordered(task, numbers)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--scenarios", type=int, default=60, help="how many (default 60)")
    parser.add_argument("--first", type=int, default=0, help="number of the first one (default 0)")
    parser.add_argument(
        "--profile", choices=sorted(PROFILES), default="standard", help="how restless (default standard)"
    )
    parser.add_argument("--seed", type=int, default=7001, help="of the scenarios (default 7001)")
    parser.add_argument(
        "--known-noise", action="store_true", help="tell the diagnosis the true noise: what learning costs"
    )
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--worst", type=int, default=0, metavar="K", help="list the K furthest from the oracle")
    parser.add_argument(
        "--cases", action="store_true", help="list every fault, and every crossing ahead, beside the oracle"
    )
    options = parser.parse_args()
    start_s = time.perf_counter()
    numbers = list(range(options.first, options.first + options.scenarios))
    task = partial(run_trial, options.profile, options.seed, known_noise=options.known_noise)
    trials = run_trials(task, numbers, options.jobs)
    wall_s = time.perf_counter() - start_s
    lists = sys.stderr if options.json else sys.stdout
    if options.worst:
        lists.write(worst(trials, options.worst) + "\n")
    if options.cases:
        lists.write(cases(trials) + "\n" + forecast_cases(trials) + "\n")
    asked = {"profile": options.profile, "seed": options.seed, "known_noise": options.known_noise}
    told = json.dumps(asked | plain(trials, options.profile, wall_s)) + "\n" if options.json else None
    sys.stdout.write(told or people(trials, options.profile, wall_s))


if __name__ == "__main__":
    main()
