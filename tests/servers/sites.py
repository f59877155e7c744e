"""Site files of invented sites, as tests write them beside their records."""

import shutil
from pathlib import Path

CONFIG = Path(__file__).resolve().parents[2] / "config"


def write_site(folder: Path, *, central: str | None = None, every_s: float = 10.0, more: str = "") -> Path:
    """Write the demonstration's site file with a central store and whatever else a test wants."""
    text = (CONFIG / "demo-site.toml").read_text() + more
    if central is not None:
        text += f'\n[central]\nurl = "{central}"\norg = "hill"\nbucket = "sites"\nevery_s = {every_s}\n'
        text += 'secret = "influx-token"\n'
        (folder / "secrets").mkdir(exist_ok=True)
        write_secret(folder, "influx-token", "t0ken")
    shutil.copytree(CONFIG / "maps", folder / "maps", dirs_exist_ok=True)
    file = folder / "site.toml"
    file.write_text(text)
    return file


def write_secret(folder: Path, name: str, secret: str) -> None:
    """Put a secret where a process started on this folder looks for it."""
    file = folder / "secrets" / name
    file.touch(mode=0o600)
    file.write_text(secret)
