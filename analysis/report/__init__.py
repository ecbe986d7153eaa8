"""Figures, words and the page of the report."""
