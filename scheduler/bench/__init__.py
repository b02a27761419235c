"""Benches of judging and planning: ratios against reading alone, and against plans made by hand."""
