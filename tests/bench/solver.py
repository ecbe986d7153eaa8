"""Network solves a second on one core: ours in a batch against the EPANET engine driven from C, in one run.

    python tests/bench/solver.py [--json]

Manifolds of 4, 8, 16 and 32 branches on a header; one branch's loss jumps from solve to solve. The peer starts each
solve from the last one (its fastest way) and closes heads and flows to 1e-6 of the pump's; ours closes them to 1e-9.
CPU time, rounds in turn, medians. The C driver is compiled here and needs `cc`.
"""

import argparse
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import epanet.toolkit as engine
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the folder above is not on the path

from analysis.frames import Floats
from analysis.hydraulics.network import Conditions, Network, compile_network, solve
from config.plant import FixedK, Plant, Run
from tests.support.epanet_model import EPANET_CONSTANTS, LPM_PER_M3S, EpanetModel
from tests.support.manifolds import branch, pipe, plant_of, riser

SIZES = (4, 8, 16, 32)
SOLVES = 20_000
ROUNDS = 25
STRIDE = 7919  # a prime: the order in which both go through the losses, so that no solve is next to the last
MOST_ADDED_K = 30.0
PEER_TOLERANCE = 1e-6
SAME_WORK = 2e-3

DRIVER = r"""
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
enum { MINORLOSS = 3, FLOW = 8 };
typedef void *Project;
int EN_createproject(Project *); int EN_open(Project, const char *, const char *, const char *);
int EN_openH(Project); int EN_initH(Project, int); int EN_runH(Project, long *);
int EN_getlinkindex(Project, const char *, int *);
int EN_setlinkvalue(Project, int, int, double); int EN_getlinkvalue(Project, int, int, double *);
int main(int count, char **words) {
    Project project; long t; double flow, sum = 0.0;
    int link, solves = atoi(words[2]), links = atoi(words[4]);
    double base = atof(words[5]), most = atof(words[6]);
    if (EN_createproject(&project) || EN_open(project, words[1], "", "") > 100 || EN_openH(project)) return 1;
    if (EN_getlinkindex(project, words[3], &link)) return 3;
    clock_t start = clock();
    for (int i = 0; i < solves; i++) {
        if (EN_setlinkvalue(project, link, MINORLOSS, base + most * (double)(7919L * i % solves) / solves)) return 4;
        EN_initH(project, 0);
        if (EN_runH(project, &t) > 100) return 2;
        for (int j = 1; j <= links; j++) { EN_getlinkvalue(project, j, FLOW, &flow); sum += flow; }
    }
    fprintf(stderr, "%.9f %.6f\n", (double)(clock() - start) / CLOCKS_PER_SEC, sum);
    return 0;
}
"""


def manifold(branches: int) -> Plant:
    """A riser, and a header with a branch at every tee; outlets under water, rising along the header."""
    runs: list[Run] = [riser()]
    node = "tee"
    for number in range(branches):
        if number:
            path = (pipe(0.026645, 0.2), FixedK(k=0.5))
            runs.append(Run(name=f"header {number}", start=node, end=f"node {number}", path=path))
            node = f"node {number}"
        lift_m = 0.2 + 0.4 * number / branches
        runs.append(
            branch(f"branch {number}", pipe(0.015799), FixedK(k=30.0), outlet_m=lift_m, start=node, submerged=True)
        )
    return plant_of(*runs)


def conditions(network: Network) -> Conditions:
    """The last branch's loss jumps from solve to solve, as in a study of parameters."""
    added = np.zeros((SOLVES, len(network.runs)))
    added[:, -1] = added_k_s2_m5(STRIDE * np.arange(SOLVES) % SOLVES / SOLVES)
    return Conditions(added_k=added)


def added_k_s2_m5(share: Floats) -> Floats:
    """Loss of so large a share of the most that is added, on the branch's bore."""
    k: Floats = share * MOST_ADDED_K * 8.0 / (np.pi**2 * EPANET_CONSTANTS.gravity_m_s2 * 0.015799**4)
    return k


def peer_seconds(command: list[str], *, total: float) -> float:
    """CPU seconds of the C driver's loop, whose flows must add up to `total`, L/min: it did the same work."""
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    spent, summed = done.stderr.split()
    if abs(float(summed) / total - 1.0) > SAME_WORK:
        raise SystemExit(f"the engine solved something else: flows add up to {summed}, not {total:.0f} L/min")
    return float(spent)


def our_seconds(network: Network, asked: Conditions) -> float:
    """CPU seconds of one batch."""
    start_s = time.process_time()
    solution = solve(network, asked)
    spent_s = time.process_time() - start_s
    if not solution.converged.all():
        raise SystemExit("a case did not converge: the figure would be worth nothing")
    return spent_s


def compare(branches: int, driver: Path, folder: Path) -> dict[str, float]:
    """Solves a second of both, in turn, and the largest difference of flow over the pump's."""
    network = compile_network(manifold(branches))
    asked = conditions(network)
    file = folder / f"manifold{branches}.inp"
    with EpanetModel(network) as model:
        engine.setoption(model.project, engine.HEADERROR, PEER_TOLERANCE * network.pump.shut_off_m)
        engine.setoption(model.project, engine.FLOWCHANGE, PEER_TOLERANCE * network.pump.widest_m3s * LPM_PER_M3S)
        engine.saveinpfile(model.project, str(file))
        link, base_k = model.first_pipe(len(network.runs) - 1)
        links = engine.getcount(model.project, engine.LINKCOUNT)
        difference = _difference(model, network, asked)
    solution = solve(network, asked)
    total = float(solution.flow_m3s.sum() + solution.pump_flow_m3s.sum()) * LPM_PER_M3S
    command = [str(driver), str(file), str(SOLVES), link, str(links), str(base_k), str(MOST_ADDED_K)]
    ours, theirs = [], []
    for _ in range(ROUNDS):
        theirs.append(peer_seconds(command, total=total))
        ours.append(our_seconds(network, asked))
    return {
        "ours_per_s": SOLVES / statistics.median(ours),
        "epanet_per_s": SOLVES / statistics.median(theirs),
        "ratio": statistics.median(theirs) / statistics.median(ours),
        "largest_difference": difference,
    }


def _difference(model: EpanetModel, network: Network, asked: Conditions) -> float:
    """Against cold starts of the engine at five of the cases, over the pump's flow."""
    solution = solve(network, asked)
    worst = 0.0
    for case in np.linspace(0, SOLVES - 1, 5).astype(int):
        theirs = model.flows_m3s(added_k=np.asarray(asked.added_k)[case].tolist())
        worst = max(worst, float(np.max(np.abs(solution.flow_m3s[case] - theirs)) / theirs[0]))
    return worst


def build_driver(folder: Path) -> Path:
    """Compile the C driver against the engine's library."""
    compiler = shutil.which("cc")
    if compiler is None:
        raise SystemExit("no C compiler: install one (Debian: apt install gcc) to measure the engine from C")
    source, program = folder / "driver.c", folder / "driver"
    source.write_text(DRIVER, encoding="utf-8")
    library = Path(engine.__file__).parent / "libepanet2.so"
    subprocess.run(
        [compiler, "-O2", str(source), "-o", str(program), str(library), f"-Wl,-rpath,{library.parent}", "-lm"],
        check=True,
    )
    return program


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    as_json = parser.parse_args().json
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        driver = build_driver(folder)
        found = {branches: compare(branches, driver, folder) for branches in SIZES}
    if as_json:
        ratios = {str(branches): round(row["ratio"], 3) for branches, row in found.items()}
        sys.stdout.write(json.dumps({"ratio_to_epanet": ratios}) + "\n")
        return
    sys.stdout.write("branches   ours, solves/s   EPANET from C   ratio   largest dq/pump\n")
    for branches, row in found.items():
        sys.stdout.write(
            f"{branches:8d} {row['ours_per_s']:16,.0f} {row['epanet_per_s']:15,.0f} {row['ratio']:7.2f}"
            f" {row['largest_difference']:17.1e}\n"
        )


if __name__ == "__main__":
    main()
