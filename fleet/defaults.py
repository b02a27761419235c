"""Numbers that hold until a unit or an installer says otherwise.

Common practice, no source, unless the line names one. All other constants stand beside their rule.
"""

from __future__ import annotations

GAP_HABITS = 2.5
GAP_AT_LEAST_S = 180
"""Allowed gap: 2.5 habits, at least 3 min (docs/engineering/reporting.md#gaps). Common practice, no
source."""

SILENT_HABITS = 3.0
SILENT_AT_LEAST_S = 1200
SILENT_SLEEPING_REPORTS = 2
SILENT_SLEEPING_MARGIN = 0.10
"""Not reporting: 3 habits, at least 20 min; sleeping: second missed report + 10 %
(docs/engineering/reporting.md#silence). Common practice, no source."""

LIMIT_ON_S = 60
LIMIT_ON_SAMPLES = 2
LIMIT_OFF_S = 300
LIMIT_OFF_SAMPLES = 2
LIMIT_CLEAR_SHARE = 0.02
"""Limit exceeded: met after 60 s and a second sample; off after 5 min and 2 samples; the clear
limit lies 2 % of the limit back (docs/engineering/defaults.md#delays). Common practice, no
source."""

RUNNING_HOLD_ON_S = 0
RUNNING_HOLD_OFF_S = 30
RUNNING_OFF_SHARE = 0.90
"""Running signal: no hold on, 30 s off; off threshold 90 % of on
(docs/engineering/signal.md#thresholds). Common practice, no source."""

LEARNING_DAYS = 14
"""Learning time of a new set (docs/engineering/readiness.md#learning-time). Common practice, no
source."""

CLOCK_AHEAD_S = 600
"""A time more than 10 min ahead of its receipt is a wrong clock (docs/engineering/ingest.md#times).
Common practice, no source."""
CLOCK_EPOCH = 1_420_070_400
"""2015-01-01T00:00:00Z: a time before it is a wrong clock (docs/engineering/ingest.md#times).
Common practice, no source."""
DUPLICATE_S = 48 * 3600
"""A timeless message delivered again is recognised for 48 h
(docs/engineering/ingest.md#times-without-a-clock). Common practice, no source."""

LOOK_AGAIN_AT_MOST_S = 3600
"""An assessment is never older than an hour. Definition."""

MESSAGE_LATE_S = 300
"""A message to somebody has five minutes before it is late. Common practice, no source."""
