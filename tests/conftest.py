"""What every test has."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """A folder of the test's own, with a short path: that of a socket in it may not pass 107 bytes."""
    with tempfile.TemporaryDirectory(prefix="hm-", ignore_cleanup_errors=True) as folder:
        yield Path(folder)
