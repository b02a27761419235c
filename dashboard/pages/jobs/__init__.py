"""Jobs: the board, the call that takes one, one job, what is billed."""
