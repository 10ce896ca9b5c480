"""Which of the user's profiles belongs to the recorder that wrote a file."""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase

from ..shared.errors import SettingsError
from ..shared.settings import InstrumentProfile, Settings


def find_profile(settings: Settings, fingerprints: Sequence[str], file: str) -> tuple[str, InstrumentProfile] | None:
    """(key, profile) that claims a file, by the fingerprints of its tables or by its name; None when none does.

    Raises SettingsError when several do that say different things: which one counts would be a guess.
    """
    claims = [(key, one) for key, one in settings.instruments.items() if claims_file(key, one, fingerprints, file)]
    if any(_said(one) != _said(claims[0][1]) for _, one in claims):
        raise SettingsError(
            "several instrument profiles claim one file",
            where=file,
            found=", ".join(f"instruments.{key}" for key, _ in claims),
            do="join them in one table, or make their `files` patterns narrower",
        )
    return claims[0] if claims else None


def claims_file(key: str, profile: InstrumentProfile, fingerprints: Sequence[str], file: str) -> bool:
    """Whether a profile (under its key in the settings) claims a file."""
    if key in fingerprints or (profile.fingerprint is not None and profile.fingerprint in fingerprints):
        return True
    names = (file.lower(), file.rsplit("/", 1)[-1].lower())
    return any(fnmatchcase(name, pattern.lower()) for pattern in profile.files for name in names)


def _said(profile: InstrumentProfile) -> dict[str, object]:
    return profile.model_dump(exclude={"name", "fingerprint", "files"})
