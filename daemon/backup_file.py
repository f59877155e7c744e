"""The backup file: a tar that any machine can unpack, with a manifest that tells what must be in it.

    manifest.json    what is here: size and SHA-256 of each file, releases, site, when
    manifest.crc     CRC-32 of the manifest, eight hexadecimal digits
    record.db        the record, readable with --store
    site.toml        the site file, where there was one, and its maps under the names it gives them

No secrets, no holds, no receipts of what was sent: those belong to one machine, not to a copy.
"""

import hashlib
import io
import json
import tarfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path, PurePosixPath
from typing import IO

from attrs import frozen

from daemon.errors import StoreError

ENDING = ".halfmark-backup"
FORMAT = 1
MANIFEST, MANIFEST_CRC, RECORD, SITE = "manifest.json", "manifest.crc", "record.db", "site.toml"
PIECE_BYTES = 1 << 20
MANIFEST_MOST = 1 << 20
FILES_MOST = 500
MODE = 0o640

Told = Callable[[int], object]  # told the bytes done since it was told last


@frozen
class Content:
    """One file of a backup."""

    name: str
    size: int
    sha256: str


def content_of(name: str, file: Path, told: Told = lambda count: None) -> Content:
    """Measure a file that is to go into a backup."""
    digest, size = hashlib.sha256(), 0
    with file.open("rb") as source:
        while piece := source.read(PIECE_BYTES):
            digest.update(piece)
            size += len(piece)
            told(len(piece))
    return Content(name, size, digest.hexdigest())


def write_backup(out: IO[bytes], about: Mapping[str, object], files: Mapping[str, Path], told: Told) -> None:
    """Write a whole backup.

    Args:
        out: where to.
        about: what the manifest says besides the files.
        files: what goes in, by the name it gets there.
        told: told of bytes twice: when they are measured and when they are written.
    """
    contents = [content_of(name, file, told) for name, file in files.items()]
    rows = [{"name": c.name, "size": c.size, "sha256": c.sha256} for c in contents]
    manifest = json.dumps({"halfmark_backup": FORMAT, **about, "files": rows}, indent=1).encode() + b"\n"
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for name, text in ((MANIFEST, manifest), (MANIFEST_CRC, b"%08x\n" % zlib.crc32(manifest))):
            tar.addfile(_entry(name, len(text)), io.BytesIO(text))
        for content in contents:
            with files[content.name].open("rb") as source:
                tar.addfile(_entry(content.name, content.size), _Told(source, told))


def _entry(name: str, size: int) -> tarfile.TarInfo:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode = size, MODE
    return entry


class _Told(io.RawIOBase):
    """A file that tells how much of it has been read."""

    def __init__(self, source: IO[bytes], told: Told) -> None:
        self._source = source
        self._told = told

    def read(self, size: int = -1) -> bytes:
        piece = self._source.read(size)
        self._told(len(piece))
        return piece


class Backup:
    """A backup file that is read; a context manager.

    Attributes:
        about: what its manifest says.
        contents: its files by name.
    """

    def __init__(self, file: Path) -> None:
        """Open it and check its manifest.

        Raises: StoreError: it is no backup, is damaged at its head, or of a newer release.
        """
        self.file = file
        try:
            self._tar = tarfile.open(file, "r:")  # noqa: SIM115 - closed by close()
        except (OSError, tarfile.TarError) as why:
            raise StoreError(f"{file} can't be read as a backup: {why}") from why
        try:
            self.about = self._manifest()
            self.contents = {content.name: content for content in self._contents()}
        except BaseException:
            self._tar.close()
            raise

    def __enter__(self) -> "Backup":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._tar.close()

    @property
    def size(self) -> int:
        """Bytes of all its files together."""
        return sum(content.size for content in self.contents.values())

    def copy(self, name: str, target: IO[bytes] | None = None, told: Told = lambda count: None) -> None:
        """Read one file through, compare it with the manifest, and write it where wanted.

        Raises: StoreError: it is not what the manifest says; what has been written then is of no use.
        """
        content, digest = self.contents[name], hashlib.sha256()
        size = 0
        try:
            source = self._tar.extractfile(name)
            while source is not None and (piece := source.read(PIECE_BYTES)):
                digest.update(piece)
                size += len(piece)
                if target is not None:
                    target.write(piece)
                told(len(piece))
        except (KeyError, tarfile.TarError, EOFError) as why:
            raise self._damaged(name) from why
        if (size, digest.hexdigest()) != (content.size, content.sha256):
            raise self._damaged(name)

    def check(self, told: Told = lambda count: None) -> None:
        """Compare every file with the manifest. Raises: StoreError."""
        for name in self.contents:
            self.copy(name, told=told)

    def _damaged(self, name: str) -> StoreError:
        return StoreError(
            f"{self.file} is damaged: {name} in it is not what was backed up; take another backup, or unpack it with "
            "tar and look what can be saved"
        )

    def _manifest(self) -> Mapping[str, object]:
        try:
            first, second = self._tar.next(), self._tar.next()
            if first is None or second is None or (first.name, second.name) != (MANIFEST, MANIFEST_CRC):
                raise StoreError(f"{self.file} is no backup of a record: it has no {MANIFEST} in front")
            if first.size > MANIFEST_MOST or second.size > 100:
                raise StoreError(f"{self.file} is damaged: its {MANIFEST} is too long")
            text, crc = (self._text(entry) for entry in (first, second))
        except tarfile.TarError as why:
            raise StoreError(f"{self.file} is damaged, or no backup: {why}") from why
        if crc.strip() != b"%08x" % zlib.crc32(text):
            raise StoreError(f"{self.file} is damaged: its {MANIFEST} does not fit its checksum; take another backup")
        about = json.loads(text)
        if about.get("halfmark_backup") != FORMAT:
            raise StoreError(
                f"{self.file} has form {about.get('halfmark_backup')}, this release knows {FORMAT}: install the newer "
                "release"
            )
        found: Mapping[str, object] = about
        return found

    def _text(self, entry: tarfile.TarInfo) -> bytes:
        source = self._tar.extractfile(entry)
        return b"" if source is None else source.read()

    def _contents(self) -> list[Content]:
        rows = self.about["files"]
        assert isinstance(rows, list)
        found = [Content(str(row["name"]), int(row["size"]), str(row["sha256"])) for row in rows[:FILES_MOST]]
        for content in found:
            if not is_plain_name(content.name):
                raise StoreError(f"{self.file} names a file {content.name!r} outside its own folder: it is not ours")
        if RECORD not in {content.name for content in found}:
            raise StoreError(f"{self.file} has no record in it")
        return found


def is_plain_name(name: str) -> bool:
    """Whether a name stays below the folder it is unpacked in."""
    path = PurePosixPath(name)
    return bool(path.parts) and not path.is_absolute() and ".." not in path.parts and "\\" not in name


def is_backup(file: Path) -> bool:
    """Whether a file looks like a tar, so that it is to be opened as a backup."""
    try:
        with file.open("rb") as source:
            source.seek(257)
            return source.read(5) == b"ustar"
    except OSError:
        return False
