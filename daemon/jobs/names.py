"""The names of the jobs. For everyone: it imports nothing."""

ASSESS, NIGHTLY, WEEKLY = "assess", "nightly", "weekly"
