"""Sets, weather and links of another physics and delivery than the rules' and the demonstration's.

What is true of a set is kept in `lives`; what is heard of it is made in `delivery`; `judging` holds
what the service said against what was true. Nothing here imports a rule.
"""

from simulated.delivery import recording
from simulated.judging import Score, exact_upper, judge
from simulated.lives import Life, World, register_rows, world

__all__ = [
    "Life",
    "Score",
    "World",
    "exact_upper",
    "judge",
    "recording",
    "register_rows",
    "world",
]
