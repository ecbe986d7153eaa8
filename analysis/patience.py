"""How long a meter may be silent before nobody knows how the pump ran. Works without numpy."""

GAP_S = 600
"""Between readings further apart than this nobody knows how the pump ran: no rate from it, unless it is a meter's way."""
LONGEST_GAP_S = 2100
"""Nor further apart than this, whatever a meter's way: a logger of half an hour is the slowest that says anything."""
PATIENCE = 2.5
"""So many times its usual interval a meter may be silent: then one line is lost, and more is a gap."""
USUAL_OF, FEWEST_INTERVALS = 6, 2
"""The usual interval is the middle one of so many of the last; fewer tell none."""
