"""An object written on the condition that it is not there yet: one signed HTTP request.

pyarrow's S3 file system does everything else but cannot put a condition on a write. Source: AWS Signature
Version 4 as published ("Create a signed AWS API request"), and `If-None-Match: *` of PutObject.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import os
import urllib.error
import urllib.parse
import urllib.request
from dataclasses import dataclass

from ..shared.errors import StoreError

TIMEOUT_S = 30.0
_TAKEN = (409, 412)  # another write of the same object is under way; it is there


@dataclass(frozen=True, slots=True)
class Keys:
    """Who writes: as the environment says it (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, AWS_SESSION_TOKEN)."""

    identity: str
    secret: str
    token: str | None = None


def keys_from_environment() -> Keys | None:
    """The keys, None when the environment has none."""
    identity, secret = os.environ.get("AWS_ACCESS_KEY_ID"), os.environ.get("AWS_SECRET_ACCESS_KEY")
    return Keys(identity, secret, os.environ.get("AWS_SESSION_TOKEN")) if identity and secret else None


def create_object(endpoint: str, region: str, path: str, body: bytes, *, keys: Keys) -> bool:
    """Write `/bucket/key` unless it is there. Gives whether it was written. Raises StoreError.

    endpoint: scheme, host and port; only http and https are used.
    """
    headers = _signed_headers(endpoint, region, path, body, keys=keys, now=dt.datetime.now(dt.UTC))
    request = urllib.request.Request(endpoint + urllib.parse.quote(path), data=body, headers=headers, method="PUT")
    if request.type not in ("http", "https"):
        raise StoreError("an object store is reached by http or https", where=endpoint)
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S):
            return True
    except urllib.error.HTTPError as error:
        if error.code in _TAKEN:
            return False
        raise StoreError("the object store refused a write", where=path, found=f"{error.code} {error.reason}") from None
    except OSError as error:
        raise StoreError("the object store does not answer", where=endpoint, found=str(error)) from None


def _signed_headers(
    endpoint: str, region: str, path: str, body: bytes, *, keys: Keys, now: dt.datetime
) -> dict[str, str]:
    stamp, day = now.strftime("%Y%m%dT%H%M%SZ"), now.strftime("%Y%m%d")
    content = hashlib.sha256(body).hexdigest()
    headers = {
        "host": urllib.parse.urlsplit(endpoint).netloc,
        "if-none-match": "*",
        "x-amz-content-sha256": content,
        "x-amz-date": stamp,
    }
    if keys.token:
        headers["x-amz-security-token"] = keys.token
    names = ";".join(sorted(headers))
    lines = "".join(f"{name}:{headers[name]}\n" for name in sorted(headers))
    canonical = f"PUT\n{urllib.parse.quote(path)}\n\n{lines}\n{names}\n{content}"
    scope = f"{day}/{region}/s3/aws4_request"
    to_sign = f"AWS4-HMAC-SHA256\n{stamp}\n{scope}\n{hashlib.sha256(canonical.encode()).hexdigest()}"
    key = f"AWS4{keys.secret}".encode()
    for part in (day, region, "s3", "aws4_request"):
        key = hmac.new(key, part.encode(), hashlib.sha256).digest()
    signature = hmac.new(key, to_sign.encode(), hashlib.sha256).hexdigest()
    credential = f"Credential={keys.identity}/{scope}, SignedHeaders={names}, Signature={signature}"
    authorization = f"AWS4-HMAC-SHA256 {credential}"
    return {**headers, "Authorization": authorization, "Content-Type": "application/octet-stream"}
