"""The file itself: members written with their digests, and read back against them."""

from __future__ import annotations

import hashlib
import os
import stat
import zipfile
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from fleet.backup import manifest as m
from fleet.backup.manifest import Manifest, Member
from fleet.backup.places import BackupFault
from fleet.private import FILE, make_folder

CHUNK = 1 << 20
"""Bytes read at once. A size of a buffer."""
QUICK = 1
"""Level of compression: packed readings do not get smaller, and the registry does with any.
Definition."""


class Writing:
    """Members of a new backup, one after another. As a context, it is dropped where that fails."""

    def __init__(self, file: IO[bytes], made_at: int) -> None:
        self._zip = zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=QUICK)
        self._when = datetime.fromtimestamp(max(made_at, 315_619_200), UTC).timetuple()[:6]
        self.members: list[Member] = []

    def __enter__(self) -> Writing:
        return self

    def __exit__(self, *fault: object) -> None:
        if fault[0] is not None:
            self._zip.fp = None  # no directory is written behind what is not whole

    def add(self, path: Path, name: str) -> None:
        """A file under its name in the data folder. Raises OSError, FileNotFoundError among them."""
        with path.open("rb") as source:
            digest, size = hashlib.sha256(), 0
            with self._zip.open(self._info(name), "w", force_zip64=True) as into:
                while part := source.read(CHUNK):
                    digest.update(part)
                    size += len(part)
                    into.write(part)
        self.members.append(Member(name, size, digest.hexdigest()))

    def close(self, manifest: Manifest) -> None:
        """The manifest last, then the directory: a file that was cut off has neither."""
        self._zip.writestr(self._info(m.NAME), m.encode(manifest))
        self._zip.close()

    def _info(self, name: str) -> zipfile.ZipInfo:
        info = zipfile.ZipInfo(name, self._when)
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = (stat.S_IFREG | FILE) << 16
        return info


class Reading:
    """An existing backup. Raises BackupFault where it is none, is cut off or does not add up."""

    def __init__(self, file: IO[bytes]) -> None:
        try:
            self._zip = zipfile.ZipFile(file)
            names = self._zip.namelist()
            if m.NAME not in names:
                raise BackupFault(
                    "The file is no backup of Hourhand: it has no member " + m.NAME + "."
                )
            if self._zip.getinfo(m.NAME).file_size > m.AT_MOST:
                raise BackupFault(f"{m.NAME} in the file is too large to be one of ours.")
            body = self._zip.read(m.NAME)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as fault:
            raise BackupFault(
                f"The file is no backup, or was cut off or damaged ({fault}): take another one."
            ) from None
        self.manifest = m.decode(body)
        told = [m.NAME, *(member.name for member in self.manifest.members)]
        for name in names:
            m.check_name(name)
        odd = sorted(set(told) ^ set(names)) or ([] if len(names) == len(told) else names[:1])
        if odd:
            raise BackupFault(
                f"The file and its list of members differ ({odd[0][:80]!r}): it was changed after "
                "it was made. Nothing was taken from it."
            )

    def take_out(self, into: Path) -> None:
        """Every member into a new folder, each held against its size and digest."""
        for member in self.manifest.members:
            path = into / member.name
            for parent in reversed(path.relative_to(into).parents[:-1]):
                make_folder(into / parent)
            try:
                self._take(member, path)
            except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as fault:
                raise _damaged(member, str(fault)) from None

    def _take(self, member: Member, path: Path) -> None:
        digest, size = hashlib.sha256(), 0
        made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, FILE)
        with os.fdopen(made, "wb") as file, self._zip.open(member.name) as source:
            while part := source.read(CHUNK):
                digest.update(part)
                size += len(part)
                if size > member.size:
                    break
                file.write(part)
            file.flush()
            os.fsync(file.fileno())
        if size != member.size or digest.hexdigest() != member.sha256:
            raise _damaged(member, "its digest differs")


def _damaged(member: Member, why: str) -> BackupFault:
    return BackupFault(
        f"The member {member.name} of the backup is damaged ({why}): take another backup. "
        "Nothing was restored."
    )
