"""Colours of the report by role, for paper and for the dark, after the Okabe-Ito palette.

Source of the hues: Okabe and Ito, "Color Universal Design" (2008; hex values from memory); shades that had to be
darker or lighter to reach the contrast of WCAG 2.2 are marked. Colour is never the only code: each role has its
own dash, marker or word as well.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """A colour by what it stands for: `light` on the light page, `dark` on the dark one; `#rrggbb`, lower case."""

    name: str
    light: str
    dark: str


PAPER = Role(name="paper", light="#ffffff", dark="#15191d")
CARD = Role(name="card", light="#f6f7f8", dark="#1d2329")
INK = Role(name="ink", light="#1a1c1e", dark="#e8eaec")
MUTED = Role(name="muted", light="#55595d", dark="#b4babf")
RULE = Role(name="rule", light="#d3d6d9", dark="#3b434b")
MEASURED = Role(name="measured", light="#0072b2", dark="#56b4e9")
EXPECTED = Role(name="expected", light="#d55e00", dark="#e69f00")
TARGET = Role(name="target", light="#008a64", dark="#009e73")  # light: a darker bluish green
TARGET_FILL = Role(name="target-fill", light="#dff3ec", dark="#173a30")
RIVAL = Role(name="rival", light="#9c4a7e", dark="#cc79a7")  # light: a darker reddish purple
LEVEL = Role(name="level", light="#6a6f74", dark="#9aa1a8")

ROLES = (PAPER, CARD, INK, MUTED, RULE, MEASURED, EXPECTED, TARGET, TARGET_FILL, RIVAL, LEVEL)


def css_variables(*, dark: bool) -> str:
    """The roles as custom properties of a style sheet, one declaration a role."""
    return " ".join(f"--{role.name}: {role.dark if dark else role.light};" for role in ROLES)
