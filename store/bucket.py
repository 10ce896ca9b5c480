"""A place in an object store: s3://bucket/prefix?endpoint_override=http://host:port&region=name&single_writer=yes

Without `endpoint_override` the environment's AWS_ENDPOINT_URL counts, then the provider's own address.
"""

from __future__ import annotations

import os
import re
import shutil
import urllib.parse
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from ..shared.errors import StoreError
from ..shared.late import arrow_files as pafs
from .signing import create_object, keys_from_environment

SCHEME = "s3:"
OPTIONS = ("endpoint_override", "region", "single_writer")
_BLOCK = 1 << 20


def is_remote(place: Path | str | None) -> bool:
    """Whether a programme's place is in an object store."""
    return place is not None and str(place).startswith(SCHEME)


@dataclass(frozen=True, slots=True)
class Bucket:
    """Objects below a prefix; keys are relative to it. Every method raises StoreError when the store fails."""

    url: str
    root: str  # bucket/prefix
    endpoint: str | None
    region: str
    single_writer: bool

    def read(self, key: str) -> bytes | None:
        """An object's bytes, None when it is not there."""
        with _told(self, key):
            try:
                with self._files().open_input_stream(self._path(key)) as stream:
                    content: bytes = stream.read()
                    return content
            except FileNotFoundError:
                return None

    def write(self, key: str, content: bytes) -> None:
        """Write an object, over what is there."""
        with _told(self, key), self._files().open_output_stream(self._path(key)) as stream:
            stream.write(content)

    def create(self, key: str, content: bytes) -> bool:
        """Write an object unless it is there, whoever else tries at the same moment. Gives whether it was written.

        Needs keys in the environment. With `single_writer=yes` it is looked up and written, which two writers at
        once could both do.
        """
        if self.single_writer:
            if self.read(key) is not None:
                return False
            self.write(key, content)
            return True
        keys = keys_from_environment()
        if keys is None:
            raise StoreError(
                "to write, keys are needed in the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY)",
                where=self.url,
                do="set them, or add single_writer=yes to the address when nobody else ever writes",
            )
        endpoint = self.endpoint or f"https://s3.{self.region}.amazonaws.com"
        return create_object(endpoint, self.region, f"/{self._path(key)}", content, keys=keys)

    def upload(self, file: Path, key: str) -> None:
        """Send a file."""
        with _told(self, key), file.open("rb") as source, self._files().open_output_stream(self._path(key)) as target:
            shutil.copyfileobj(source, target, _BLOCK)

    def download(self, key: str, file: Path) -> bool:
        """Fetch an object into a file, whole or not at all. Gives whether it was there."""
        with _told(self, key):
            try:
                source = self._files().open_input_stream(self._path(key))
            except FileNotFoundError:
                return False
            file.parent.mkdir(parents=True, exist_ok=True)
            part = file.with_name(f".{uuid.uuid4().hex}.part")  # several processes may fetch the same file
            try:
                with source, part.open("wb") as target:
                    shutil.copyfileobj(source, target, _BLOCK)
                part.replace(file)
            finally:
                part.unlink(missing_ok=True)
        return True

    def keys(self, below: str) -> list[str]:
        """Keys of all objects below a folder, sorted."""
        selector = pafs.FileSelector(self._path(below), recursive=True, allow_not_found=True)
        with _told(self, below):
            found = self._files().get_file_info(selector)
        cut = len(self.root) + 1
        return sorted(one.path[cut:] for one in found if one.type == pafs.FileType.File)

    def delete(self, key: str) -> None:
        """Delete an object; one that is not there is no matter."""
        with _told(self, key):
            try:
                self._files().delete_file(self._path(key))
            except FileNotFoundError:
                return

    def _path(self, key: str) -> str:
        return f"{self.root}/{key}"

    def _files(self) -> pafs.S3FileSystem:
        return _file_system(self.endpoint, self.region)


def bucket_of(place: Path | str) -> Bucket:
    """The place an address names (a path may have lost one of two slashes). Raises StoreError."""
    url = re.sub(r"(?<=[a-z0-9]):/+", "://", str(place))
    parts = urllib.parse.urlsplit(url)
    options = dict(urllib.parse.parse_qsl(parts.query))
    unknown = sorted(set(options) - set(OPTIONS))
    prefix = parts.path.strip("/")
    if unknown or not parts.netloc or not prefix:
        raise StoreError(
            "not the address of a programme in an object store",
            found=unknown[0] if unknown else url,
            allowed=f"s3://bucket/prefix, then ? and any of {', '.join(OPTIONS)}",
        )
    endpoint = options.get("endpoint_override") or os.environ.get("AWS_ENDPOINT_URL")
    region = options.get("region") or os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION")
    single = options.get("single_writer") == "yes"
    return Bucket(url, f"{parts.netloc}/{prefix}", endpoint and endpoint.rstrip("/"), region or "us-east-1", single)


@lru_cache(maxsize=8)
def _file_system(endpoint: str | None, region: str) -> pafs.S3FileSystem:
    options = {"region": region, "background_writes": False, "connect_timeout": 10.0, "request_timeout": 60.0}
    if endpoint is None:
        return pafs.S3FileSystem(**options)
    scheme, _, host = endpoint.partition("://")
    return pafs.S3FileSystem(endpoint_override=host, scheme=scheme, **options)


@contextmanager
def _told(bucket: Bucket, key: str) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise
    except OSError as error:  # pyarrow's own word for everything the store refuses
        raise StoreError(
            "the object store cannot be used", where=f"{bucket.url} {key}", found=str(error).splitlines()[0]
        ) from None
