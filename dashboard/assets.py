"""Style, script and the plotting library, each named by its content so a browser keeps it for good.

Everything is served from this machine: nothing on a page comes from the internet. Plotly is taken
from the installed package and compressed once, on its first use.
"""

from __future__ import annotations

import gzip
import hashlib
import threading
from importlib.resources import files

import msgspec

FOREVER = "public, max-age=31536000, immutable"
KINDS = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}


class Asset(msgspec.Struct, frozen=True):
    """One file as it is sent: its name in addresses, its media type, plain and gzip bytes."""

    name: str
    media_type: str
    plain: bytes
    packed: bytes


class Assets:
    """The static files of this package, read once. `url` names them, `get` finds them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._by_name: dict[str, Asset] = {}
        self._names: dict[str, str] = {}
        for entry in files("dashboard").joinpath("static").iterdir():
            if entry.name.rpartition(".")[2] in KINDS:
                self._keep(entry.name, entry.read_bytes(), level=9)
        self._plotly = files("plotly").joinpath("package_data/plotly.min.js")
        self._plotly_name = ""

    def url(self, name: str) -> str:
        """The address of a static file, with its content's hash in the name."""
        return f"/static/{self._names[name]}"

    def plotly_url(self) -> str:
        """The address of the plotting library; hashes it on first use."""
        with self._lock:
            if not self._plotly_name:
                plain = self._plotly.read_bytes()
                self._plotly_name = _hashed("plotly.js", plain)
        return f"/static/{self._plotly_name}"

    def get(self, name: str) -> Asset | None:
        """The file of that hashed name, or None."""
        found = self._by_name.get(name)
        if found is None and name.startswith("plotly.") and self.plotly_url().endswith("/" + name):
            with self._lock:
                if name not in self._by_name:
                    self._keep("plotly.js", self._plotly.read_bytes(), level=6)
                return self._by_name[name]
        return found

    def _keep(self, name: str, plain: bytes, level: int) -> None:
        hashed = _hashed(name, plain)
        kind = KINDS[name.rpartition(".")[2]]
        packed = gzip.compress(plain, level, mtime=0)
        self._by_name[hashed] = Asset(hashed, kind, plain, packed)
        self._names[name] = hashed


def _hashed(name: str, content: bytes) -> str:
    stem, _, end = name.rpartition(".")
    return f"{stem}.{hashlib.sha256(content).hexdigest()[:16]}.{end}"
