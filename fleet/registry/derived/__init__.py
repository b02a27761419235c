"""What is worked out of the facts; may be thrown away and made again."""
