"""What the bytes of a port say about the port."""

import pytest

from daemon.sources.line_quality import ENOUGH_BYTES, LOOK_BACK, LineQuality, Quality

NOISE = b"\xf8\x00\x1c\xe0"
TEXT = b"level=12.5 ok\r\n"


def test_a_few_bad_bytes_say_nothing() -> None:
    """The tail of a line and some noise at the start are usual, and no verdict."""
    quality = LineQuality()
    assert quality.take(NOISE * 10, [False, False, False]) is Quality.GOOD


@pytest.mark.parametrize(("data", "verdict"), [(NOISE, Quality.NOISE), (TEXT, Quality.FOREIGN)])
def test_no_sentence_in_many_bytes(data: bytes, verdict: Quality) -> None:
    """Many bytes without one good sentence are noise or another device; the first good sentence ends that."""
    quality = LineQuality()
    said = [quality.take(data, [False]) for _ in range(ENOUGH_BYTES // len(data) + 1)]

    assert said[0] is Quality.GOOD
    assert said[-1] is verdict
    assert quality.take(b"", [True]) is Quality.GOOD


def test_the_end_of_noise_is_no_damage() -> None:
    """What was left of the noise comes together with the first sentences: it is no damage of theirs; later lines are."""
    quality = LineQuality()
    assert quality.take(NOISE * ENOUGH_BYTES, [False]) is Quality.NOISE

    assert quality.take(NOISE, [False] * 20 + [True] * 10) is Quality.GOOD
    assert quality.take(b"", [False] * 20) is Quality.DAMAGED


def test_damaged_lines_with_hysteresis() -> None:
    """A quarter of the lines damaged is bad; it is good again once next to none are, and does not flicker between."""
    quality = LineQuality()
    said = [quality.take(b"", [True, True, False]) for _ in range(LOOK_BACK)]
    said += [quality.take(b"", [True]) for _ in range(LOOK_BACK)]

    changes = [now for before, now in zip([None, *said], said, strict=False) if now is not before]
    assert changes == [Quality.GOOD, Quality.DAMAGED, Quality.GOOD]
    assert said[LOOK_BACK + LOOK_BACK // 2] is Quality.DAMAGED


def test_one_damaged_line_now_and_then_is_normal() -> None:
    """One damaged line in ten is no verdict."""
    quality = LineQuality()
    assert {quality.take(b"", [True] * 9 + [False] * 1) for _ in range(20)} == {Quality.GOOD}
