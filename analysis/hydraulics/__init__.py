"""Hydraulics of the manifold: water, losses, pump, network."""
