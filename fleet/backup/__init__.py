"""The whole of a service in one file, taken while it runs, and put back into an empty folder.

A backup is a ZIP file whose members lie as they lay in the data folder; the last one says what they
are, with the digest of each (`manifest`). `taking` makes it, `restoring` puts it back.
"""

from __future__ import annotations

from fleet.backup.places import BackupFault
from fleet.backup.restoring import Restored, restore
from fleet.backup.taking import Taken, take

__all__ = ["BackupFault", "Restored", "Taken", "restore", "take"]
