"""What may be an id: of units, devices, groups, plans, tasks, records and people's own names."""

from __future__ import annotations

import re

ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
"""Safe in a topic, a path, a file name and an address."""
