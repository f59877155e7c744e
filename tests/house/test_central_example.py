"""The example of a central store: what a group copies from it must be right."""

import re
import tomllib
from pathlib import Path

import pytest

from daemon.central_sites import load_central
from daemon.sending.central_lines import ALERTS, READINGS, SITE

FOLDER = Path(__file__).parents[2] / "deploy" / "central"
TEXT = (FOLDER / "README.md").read_text(encoding="utf-8")
TABLES = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)


@pytest.mark.parametrize("number", range(len(TABLES)))
def test_each_table_of_the_text_is_taken(number: int, tmp_path: Path) -> None:
    file = tmp_path / "central.toml"
    file.write_text(TABLES[number])
    central = load_central(file)
    assert (central.org, central.bucket, central.every_s) == ("hill", "sites", 300.0)
    assert central.url.startswith("https://")


def test_the_text_tells_of_everything_that_is_sent_and_of_every_file_beside_it() -> None:
    assert len(TABLES) == 2
    for name in (READINGS, ALERTS, SITE):
        assert f"| `{name}` |" in TEXT
    for file in FOLDER.iterdir():
        assert file.name == "README.md" or file.name in TEXT


def test_the_server_listens_where_the_proxy_asks_and_nowhere_else() -> None:
    address = tomllib.loads((FOLDER / "influxd.toml").read_text())["http-bind-address"]
    proxied = re.findall(r"location = (\S+) \{ proxy_pass http://([^;]+);", (FOLDER / "nginx-site.conf").read_text())
    assert proxied == [("/api/v2/write", address), ("/api/v2/query", address)]
    assert address.startswith("127.0.0.1:")
