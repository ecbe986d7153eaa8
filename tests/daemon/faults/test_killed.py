"""kill -9 at any moment."""

import os
import pathlib
import random
import signal
import time

from tests.support.fault_bench import Bench

KILLS = 200


def test_two_hundred_kills(tmp_path: pathlib.Path) -> None:
    """After each kill the file is whole; at the end no promised row, no pulse is lost and no row is doubled."""
    moments = random.Random(4)  # noqa: S311 - moments, not secrets
    with Bench(tmp_path, tmp_path, speed=600) as bench, bench.nursery() as nursery:
        assert nursery.stdin is not None
        assert nursery.stdout is not None
        for number in range(KILLS + 1):
            print("collect", file=nursery.stdin, flush=True)
            pid = int(nursery.stdout.readline())
            if number == KILLS:
                break
            time.sleep(moments.uniform(0.01, 0.25))
            os.kill(pid, signal.SIGKILL)
            assert nursery.stdout.readline().split()[0] == str(-signal.SIGKILL)
            bench.assert_whole_copy()
        bench.finish()
        os.kill(pid, signal.SIGTERM)
        assert nursery.stdout.readline().split()[0] == "0"

        assert len(bench.promised.read_text().splitlines()) > KILLS / 2
        bench.assert_nothing_lost()
