"""Numbers that hold until a unit or an installer says otherwise.

Common practice, no source, unless the line names one. All other constants stand beside their rule.
"""

from __future__ import annotations

GAP_HABITS = 2.5
GAP_AT_LEAST_S = 180
"""Allowed gap: 2.5 habits, at least 3 min."""

SILENT_HABITS = 3.0
SILENT_AT_LEAST_S = 1200
SILENT_SLEEPING_REPORTS = 2
SILENT_SLEEPING_MARGIN = 0.10
"""Not reporting: 3 habits, at least 20 min; sleeping: second missed report + 10 %."""

LIMIT_ON_S = 60
LIMIT_ON_SAMPLES = 2
LIMIT_OFF_S = 300
LIMIT_OFF_SAMPLES = 2
LIMIT_CLEAR_SHARE = 0.02
"""Limit exceeded: met after 60 s and a second sample; off after 5 min and 2 samples."""

RUNNING_HOLD_ON_S = 0
RUNNING_HOLD_OFF_S = 30
RUNNING_OFF_SHARE = 0.90
"""Running signal: no hold on, 30 s off; off threshold 90 % of on."""

LEARNING_DAYS = 14

CLOCK_AHEAD_S = 600
"""A time more than 10 min ahead of its receipt is a wrong clock (WIRE, `at`)."""
CLOCK_EPOCH = 1_420_070_400
"""2015-01-01T00:00:00Z: a time before it is a wrong clock (WIRE, `at`)."""
DUPLICATE_S = 48 * 3600
"""A timeless message delivered again is recognised for 48 h (WIRE, `at`)."""

LOOK_AGAIN_AT_MOST_S = 3600
"""An assessment is never older than an hour."""

MESSAGE_LATE_S = 300
"""A message to somebody has five minutes before it is late. Common practice, no source."""
