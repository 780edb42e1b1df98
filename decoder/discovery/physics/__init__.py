"""What fields may measure, told from physics alone: rows of like fields, sums, steps and slopes."""
