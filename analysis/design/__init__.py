"""Planning: the pump a plant needs, the valve openings that balance it, and what a change would bring."""
