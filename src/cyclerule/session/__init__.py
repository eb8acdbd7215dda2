"""What users hold: a firmware with its part and clock."""
