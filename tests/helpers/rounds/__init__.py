"""Planning instances: a seeded generator, and what it made, committed."""
