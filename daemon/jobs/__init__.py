"""What a running collector has done beside it: short-lived processes, by the calendar."""
