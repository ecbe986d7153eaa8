"""Colours can be told from their ground: WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1)."""

import pytest

from analysis.report import palette
from analysis.report.palette import Role

GROUNDS = (palette.PAPER, palette.CARD)


def _luminance(colour: str) -> float:
    """Relative luminance, W3C Web Content Accessibility Guidelines 2.2, section "Terms", "relative luminance"."""
    channels = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, section "Terms", "contrast ratio"."""
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_formula_gives_the_ends_of_the_scale() -> None:
    """Black on white is 21:1, a colour on itself 1:1 (WCAG 2.2: "range from 1 to 21")."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#0072b2", "#0072b2") == pytest.approx(1.0)


@pytest.mark.parametrize("ground", GROUNDS, ids=lambda role: role.name)
@pytest.mark.parametrize("role", [palette.INK, palette.MUTED, palette.MEASURED], ids=lambda role: role.name)
def test_text_is_readable(role: Role, ground: Role) -> None:
    """Text and links reach 4.5:1 by day and by night."""
    assert _contrast(role.light, ground.light) >= 4.5
    assert _contrast(role.dark, ground.dark) >= 4.5


@pytest.mark.parametrize("ground", [*GROUNDS, palette.TARGET_FILL], ids=lambda role: role.name)
@pytest.mark.parametrize(
    "role",
    [palette.MEASURED, palette.EXPECTED, palette.TARGET, palette.LEVEL, palette.RIVAL],
    ids=lambda role: role.name,
)
def test_lines_stand_out(role: Role, ground: Role) -> None:
    """Lines and markers reach 3:1 on the page, on a card and on the target's band, by day and by night."""
    assert _contrast(role.light, ground.light) >= 3
    assert _contrast(role.dark, ground.dark) >= 3


def test_every_colour_names_one_role() -> None:
    """The light colours differ, since a picture's colours are told apart by them."""
    assert len({role.light for role in palette.ROLES}) == len(palette.ROLES)
