"""What was lost against the baseline, and whether that is real: trial means in, verdicts out."""
