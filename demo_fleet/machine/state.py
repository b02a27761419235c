"""What a set's moments are made of: below the physics that works them out and every channel that uses them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.machine.noise import Floats, Ints


@dataclass(frozen=True)
class Moments:
    """What is known about each moment, worked out once and used by every channel.

    on: the engine turns. since_start, since_end: seconds (large where there is none).
    run_length: of the newest ended run [s]. load: share of rated power. mains: mains is there.
    """

    t: Ints
    on: np.ndarray
    since_start: Floats
    since_end: Floats
    run_length: Floats
    load: Floats
    mains: np.ndarray
    since_lost: Floats
    since_back: Floats
    ambient_c: Floats
