"""Choosing an adapter: exactly one takes the file, or every one says why not."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimshot.ingest import registry
from trimshot.ingest.raw import Claim, LogFile, RawFile
from trimshot.ingest.registry import ADAPTERS, choose, claims_of, is_log
from trimshot.shared.errors import AmbiguousFormatError, UnknownFormatError
from trimshot.shared.settings import InstrumentProfile

GPS = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"


def file_of(content: bytes, name: str = "a.log") -> LogFile:
    """A LogFile of a few bytes."""
    return LogFile(Path("nowhere") / name, name, len(content), content)


class Greedy:
    """An adapter that takes everything."""

    name = "greedy"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes to all."""
        return Claim(True, "takes everything")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """Never asked."""
        raise NotImplementedError


def test_names_are_unique_and_versions_count_from_one() -> None:
    assert len({a.name for a in ADAPTERS}) == len(ADAPTERS) >= 5
    assert all(a.version >= 1 for a in ADAPTERS)


def test_one_taker_is_chosen() -> None:
    assert choose(file_of(GPS)).name == "NMEA 0183"
    assert is_log(file_of(GPS))
    assert [adapter for adapter, _ in claims_of(file_of(GPS))] == list(ADAPTERS)


def test_nobody_lists_every_reason() -> None:
    with pytest.raises(UnknownFormatError) as caught:
        choose(file_of(b"\x00\x01\x02 nothing we know \xff", "thing.bin"))
    for adapter in ADAPTERS:
        assert f"{adapter.name}: no, " in str(caught.value)
    assert "thing.bin" in str(caught.value)
    assert caught.value.code is None


@pytest.mark.parametrize("content", [b"", b" \r\n\t\r\n", b"\xef\xbb\xbf\r\n"])
def test_an_empty_file_has_its_own_code(content: bytes) -> None:
    with pytest.raises(UnknownFormatError, match="the file is empty") as caught:
        choose(file_of(content))
    assert caught.value.code == "EMPTY_FILE"


def test_several_takers_are_an_error_with_every_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "ADAPTERS", (*ADAPTERS, Greedy()))
    with pytest.raises(AmbiguousFormatError) as caught:
        choose(file_of(GPS))
    assert "greedy: yes, takes everything" in str(caught.value)
    assert "NMEA 0183: yes" in str(caught.value)
    assert "IGC: no" in str(caught.value)
