"""A board without a battery clock: whatever its clock does, no reading is lost, doubled or put out of order."""

import itertools
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.board_life import EVERY_MS, START_MS, Board

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


@pytest.fixture
def board() -> Iterator[Board]:
    """A board that was never started."""
    made = Board()
    with made.running():
        yield made
    made.connection.close()


def assert_whole(board: Board) -> None:
    """Every reading is in once, dated or waiting, and counts rise with time."""
    rows = board.rows()

    assert sum(row[3] for row in rows) + board.waiting() == board.read
    assert [row[2] for row in rows] == sorted({row[2] for row in rows})
    assert all(before[1] < after[0] for before, after in itertools.pairwise(rows))


def test_a_clock_that_is_set_dates_at_once(board: Board) -> None:
    """A board that starts under a set clock keeps nothing waiting."""
    board.boot(off_ms=0, error_ms=0)
    board.synchronise()
    board.start()
    board.collect(9)
    board.stop()

    assert board.waiting() == 0
    assert_whole(board)


@pytest.mark.parametrize("ahead_ms", [0, 40_000, HOUR_MS])
def test_a_power_cut_between_two_notes_of_the_clock(board: Board, ahead_ms: int) -> None:
    """The rows themselves tell up to when readings are in: a clock that was ahead dates none before them afterwards."""
    board.boot(off_ms=0, error_ms=ahead_ms)
    board.synchronise()
    board.step(ahead_ms)
    board.start()
    for readings in (3, 31, 20):  # the last ones come since the clock was last noted
        board.collect(readings)
    before = board.rows()
    board.boot(off_ms=5_000, error_ms=0)
    board.synchronise()
    board.collect(9)
    board.stop()
    board.settle()

    rows = board.rows()
    assert rows[: len(before)] == before
    assert len(rows) > len(before)
    assert all(earlier[1] < later[0] for earlier, later in itertools.pairwise(rows))


@pytest.mark.parametrize("error_ms", [-3 * DAY_MS, -90_000, 40_000, 2 * DAY_MS, -START_MS])
def test_readings_of_before_the_clock_was_set_get_their_true_times(board: Board, error_ms: int) -> None:
    """Three days behind, minutes behind, ahead, in 1970: once a time server is heard, every row lies where it was."""
    board.boot(off_ms=0, error_ms=error_ms)
    board.collect(50)
    assert (board.rows(), board.waiting() > 40) == ([], True)
    board.synchronise()
    board.collect(1)
    board.stop()
    board.settle()

    assert_whole(board)
    assert abs(board.rows()[0][0] - (board.true_ms - 50 * EVERY_MS - 10)) <= 10_010
    assert (board.waiting(), board.rows()[-1][1]) == (0, board.true_ms)


def test_a_clock_that_was_set_while_nobody_collected(board: Board) -> None:
    """Rows that a stopped collector left without a date get it when the next one starts in the same boot."""
    board.boot(off_ms=0, error_ms=-DAY_MS)
    board.collect(20)
    board.stop()
    board.synchronise()
    board.start()
    board.settle()

    assert board.waiting() == 0
    assert_whole(board)
    assert board.rows()[-1][1] == board.true_ms - 5_010


def test_an_earlier_boot_that_never_knew_the_time_ends_before_this_one(board: Board) -> None:
    """Its clock ran an hour ahead: its rows are put before the start of the boot that knows the time."""
    board.boot(off_ms=0, error_ms=HOUR_MS)
    board.collect(30)
    board.boot(off_ms=60_000, error_ms=HOUR_MS)
    booted_ms = board.true_ms - 5_000
    board.collect(5)
    board.synchronise()
    board.collect(5)
    board.stop()
    board.settle()

    assert board.waiting() == 0
    assert max(row[1] for row in board.rows() if row[2] <= 30) < booted_ms
    assert [row[2] for row in board.rows()] == sorted(row[2] for row in board.rows())


def test_a_clock_behind_the_database_dates_after_it(board: Board) -> None:
    """After an unclean stop the boot clock can be behind rows that are in: what comes is shown after them."""
    board.boot(off_ms=0, error_ms=0)
    board.synchronise()
    board.start()
    board.collect(60)
    board.stop()
    newest_ms = board.rows()[-1][1]
    board.boot(off_ms=30_000, error_ms=-15 * 60_000)
    board.collect(6)
    board.stop()

    assert board.clock.note.wall_ms + board.steady_ms > newest_ms
    assert_whole(board)


def test_a_step_forth_must_be_confirmed(board: Board) -> None:
    """A clock that jumps ten years ahead and back again dates nothing ten years ahead."""
    board.boot(off_ms=0, error_ms=0)
    board.synchronise()
    board.start()
    board.collect(10)
    board.step(3650 * DAY_MS)
    board.collect(10)
    board.step(-3650 * DAY_MS)
    board.collect(10)
    board.synchronise()
    board.collect(10)
    board.stop()
    board.settle()

    assert_whole(board)
    assert board.waiting() == 0
    assert board.rows()[-1][1] <= board.true_ms + 1_000


def test_a_step_back_is_approached_slowly(board: Board) -> None:
    """A clock put back by an hour puts no reading back; its dates come back to it by a second in a thousand."""
    board.boot(off_ms=0, error_ms=0)
    board.synchronise()
    board.start()
    board.collect(10)
    board.step(-HOUR_MS)
    board.collect(500)
    board.stop()

    assert_whole(board)
    ahead_ms = board.rows()[-1][1] - board.wall_ms
    assert ahead_ms == pytest.approx(HOUR_MS - 500 * EVERY_MS / 1000, abs=200)


def test_nobody_tells_of_the_clock(board: Board) -> None:
    """Without a time service the clock is taken at its word, and after a jump once it was calm for an hour."""
    board.boot(off_ms=0, error_ms=0, told=False)
    board.collect(10)
    assert board.clock.known
    board.step(2 * HOUR_MS)
    board.collect(170)
    assert (board.clock.known, board.waiting() > 160) == (False, True)
    board.collect(20)
    board.stop()
    board.settle()

    assert (board.clock.known, board.waiting()) == (True, 0)
    assert_whole(board)


def test_a_board_that_never_hears_a_time_server(board: Board) -> None:
    """After a week the clock is taken at its word, so that what waits is bounded."""
    board.boot(off_ms=0, error_ms=-HOUR_MS)
    board.collect(3)
    board.true_ms += 7 * DAY_MS
    board.collect(3)
    board.stop()
    board.settle()

    assert (board.clock.known, board.waiting()) == (True, 0)
    assert_whole(board)


def test_a_board_that_is_started_again_and_again_without_a_time_server(board: Board) -> None:
    """What waits is bounded over all boots: the oldest rows are taken at their provisional dates."""
    for _boot in range(6):
        board.boot(off_ms=60_000, error_ms=-HOUR_MS)
        board.collect(2)
        board.true_ms += 3 * DAY_MS
        board.collect(2)
        board.stop()
        board.settle()

    assert 4 <= board.waiting() <= 3 * 4
    assert_whole(board)
    board.boot(off_ms=60_000, error_ms=0)
    board.synchronise()
    board.collect(2)
    board.stop()
    board.settle()
    assert board.waiting() == 0
    assert_whole(board)


ACTIONS = st.one_of(
    st.tuples(st.just("collect"), st.integers(1, 12)),
    st.tuples(st.just("step"), st.sampled_from([-DAY_MS, -HOUR_MS, -61_000, -2_500, 2_500, 90_000, HOUR_MS, DAY_MS])),
    st.tuples(st.just("synchronise"), st.just(0)),
    st.tuples(st.just("restart"), st.just(0)),
    st.tuples(st.just("boot"), st.integers(1, 100_000)),
    st.tuples(st.just("days"), st.integers(1, 6)),
)


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(ACTIONS, min_size=3, max_size=14), st.integers(-200_000, 60_000), st.booleans())
def test_any_life(actions: list[tuple[str, int]], error_s: int, told: bool) -> None:  # noqa: FBT001 - hypothesis fills it in
    """Boots, steps, starts and synchronisations in any order: no reading lost, doubled or out of order, none dated twice."""
    board = Board()
    with board.running():
        board.boot(off_ms=0, error_ms=error_s * 1000, told=told)
        for action, amount in actions:
            live(board, action, amount)
        board.collect(2)
        board.stop()
        board.settle()
        assert_whole(board)
    board.connection.close()


def live(board: Board, action: str, amount: int) -> None:
    """One thing that happens to a board."""
    if action == "collect":
        board.collect(amount)
    elif action == "step":
        board.step(amount)
    elif action == "synchronise":
        board.synchronise()
    elif action == "days":
        board.true_ms += amount * DAY_MS
    elif action == "restart":
        board.stop()
        board.start()
    else:
        board.stop()
        board.boot(off_ms=amount * 1000, error_ms=-amount * 900)
