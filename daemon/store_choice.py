"""Which record a reading command means: the one named with --store, a backup too, else the site's own."""

import atexit
import shutil
import tempfile
from pathlib import Path

from daemon.backup_file import RECORD, Backup, is_backup
from daemon.errors import StoreError


def readable(store: Path) -> Path:
    """Give a record as it is named; out of a backup its record is unpacked, until this command has ended.

    Raises: StoreError: the backup is damaged, or there is no room to unpack it.
    """
    if store.is_dir() or not is_backup(store):
        return store
    folder = Path(tempfile.mkdtemp(prefix="halfmark-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    file = folder / RECORD
    with Backup(store) as backup:
        try:
            with file.open("wb") as target:
                backup.copy(RECORD, target)
        except OSError as why:
            raise StoreError(
                f"{store} can't be unpacked into {folder}: {why.strerror or why}; name a folder with room in TMPDIR"
            ) from why
    return file
