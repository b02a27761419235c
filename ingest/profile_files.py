"""Device profiles as they lie in DATA/profiles."""

from __future__ import annotations

import tomllib
from pathlib import Path

from ingest.profiles import Profile, ProfileFault, profile_from


def load_profiles(folder: Path) -> tuple[dict[str, Profile], list[str]]:
    """Every `*.toml` of a folder as (profiles by name, sentences about those that are unusable)."""
    profiles: dict[str, Profile] = {}
    faults: list[str] = []
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
        try:
            data = tomllib.loads(path.read_text("utf-8"))
            profiles[path.stem] = profile_from(path.stem, data)
        except ProfileFault as fault:
            faults.append(str(fault))
        except (OSError, ValueError) as fault:
            faults.append(f"profile {path.stem}: cannot be read as TOML: {fault}")
    return profiles, faults
