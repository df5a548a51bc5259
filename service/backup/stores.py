"""Where back-ups lie: a folder, or a bucket of anything that speaks S3."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

from service.backup.errors import BackupError
from service.backup.names import made_at

__all__ = ["Bucket", "Folder", "Store", "store_of"]


class Store(Protocol):
    """A place for back-ups."""

    def names(self) -> list[str]:
        """Names of the back-ups that lie there, ours alone, oldest first."""

    def put(self, made: Path, name: str) -> None:
        """Lay a back-up there: whole, or not at all."""

    def get(self, name: str, target: Path) -> None:
        """Bring one back."""

    def drop(self, name: str) -> None:
        """Take one away."""


def store_of(address: str, endpoint: str | None = None) -> Store:
    """Return the store at ``s3://bucket/prefix`` or in a folder; raises BackupError."""
    if not address.startswith("s3://"):
        return Folder(Path(address).expanduser())
    parts = urlsplit(address)
    if not parts.hostname:
        raise BackupError("BOOTHGLASS_BACKUP_TO: expected s3://bucket/prefix, or a folder")
    return Bucket(parts.netloc, parts.path.strip("/"), endpoint)


class Folder:
    """A folder, on another disk or a share if it shall help against a broken one."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def names(self) -> list[str]:
        """Names of the back-ups there."""
        if not self.path.is_dir():
            return []
        return sorted(p.name for p in self.path.iterdir() if made_at(p.name) and p.is_file())

    def put(self, made: Path, name: str) -> None:
        """Move the back-up in; on another disk it is copied under another name first."""
        self.path.mkdir(parents=True, exist_ok=True)
        part = self.path / f".part-{name}"
        shutil.move(made, part)
        part.replace(self.path / name)

    def get(self, name: str, target: Path) -> None:
        """Copy one out."""
        shutil.copyfile(self.path / name, target)

    def drop(self, name: str) -> None:
        """Delete one."""
        (self.path / name).unlink(missing_ok=True)


class Bucket:
    """A bucket; keys and region come from the environment as S3's own tools take them."""

    def __init__(self, bucket: str, prefix: str, endpoint: str | None) -> None:
        try:
            import boto3
            from botocore.exceptions import BotoCoreError, ClientError
        except ImportError as error:
            raise BackupError("s3:// needs the extra: pip install 'boothglass[backup]'") from error
        self._troubles = (BotoCoreError, ClientError)
        self._client: Any = boto3.client("s3", endpoint_url=endpoint)
        self._bucket, self._prefix = bucket, f"{prefix}/" if prefix else ""

    def names(self) -> list[str]:
        """Names of the back-ups there."""
        pages = self._client.get_paginator("list_objects_v2")
        found = []
        try:
            for page in pages.paginate(Bucket=self._bucket, Prefix=self._prefix):
                found += [o["Key"].removeprefix(self._prefix) for o in page.get("Contents", [])]
        except self._troubles as error:
            raise BackupError(f"the bucket {self._bucket} cannot be read: {error}") from error
        return sorted(name for name in found if made_at(name))

    def put(self, made: Path, name: str) -> None:
        """Upload one; the store shows it only when all of it is there."""
        try:
            self._client.upload_file(str(made), self._bucket, self._prefix + name)
        except (*self._troubles, _upload_failed()) as error:
            raise BackupError(f"{name} cannot be laid into {self._bucket}: {error}") from error

    def get(self, name: str, target: Path) -> None:
        """Download one."""
        try:
            self._client.download_file(self._bucket, self._prefix + name, str(target))
        except self._troubles as error:
            raise BackupError(f"{name} cannot be fetched from {self._bucket}: {error}") from error

    def drop(self, name: str) -> None:
        """Delete one."""
        try:
            self._client.delete_object(Bucket=self._bucket, Key=self._prefix + name)
        except self._troubles as error:
            raise BackupError(f"{name} cannot be deleted: {error}") from error


def _upload_failed() -> type[Exception]:
    from boto3.exceptions import S3UploadFailedError

    found: type[Exception] = S3UploadFailedError
    return found
