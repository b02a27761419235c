"""What was received and what people know: appended, and corrected by new rows only."""
