"""Benches of what comes in and how it is kept: ratios against plain programs and tables."""
