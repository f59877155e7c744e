"""[mqtt] and [metrics] of a site file: what is taken, what is refused, and what `check` says of it."""

import io
from pathlib import Path

import pytest

from daemon.configuration import load_site
from daemon.errors import ConfigError
from daemon.site_check import run_check
from servers.sites import write_secret, write_site
from shared.site import Metrics, Mqtt


def test_both_are_off_unless_they_are_there(tmp_path: Path) -> None:
    site = load_site(write_site(tmp_path))
    assert (site.mqtt, site.metrics) == (None, None)


def test_the_shortest_tables(tmp_path: Path) -> None:
    site = load_site(write_site(tmp_path, more='\n[mqtt]\nserver = "mqtt.example.org"\n[metrics]\n'))
    assert site.mqtt == Mqtt("mqtt.example.org", 8883, f"halfmark/{site.place.name}", "tls", every_s=60.0)
    assert site.metrics == Metrics("127.0.0.1:7412")


def test_the_longest_tables(tmp_path: Path) -> None:
    more = (
        '\n[mqtt]\nserver = "192.0.2.7"\nport = 8884\nsecurity = "tls"\nuser = "hill"\nsecret = "mqtt-password"\n'
        'prefix = "group/cold-fork"\nevery_s = 30\n[metrics]\nlisten = "[::1]:9000"\n'
    )
    site = load_site(write_site(tmp_path, more=more))
    assert site.mqtt == Mqtt("192.0.2.7", 8884, "group/cold-fork", "tls", "hill", "mqtt-password", 30.0)
    assert site.metrics == Metrics("[::1]:9000")


def test_without_tls_the_port_is_another_and_this_computer_may_be_told_a_password(tmp_path: Path) -> None:
    more = '\n[mqtt]\nserver = "localhost"\nsecurity = "none"\nuser = "hill"\nsecret = "mqtt-password"\n'
    site = load_site(write_site(tmp_path, more=more))
    assert site.mqtt is not None
    assert site.mqtt.port == 1883


def test_wildcards_in_the_site_s_name_never_reach_a_topic(tmp_path: Path) -> None:
    path = write_site(tmp_path, more='\n[mqtt]\nserver = "mqtt.example.org"\n')
    text = path.read_text()
    name = load_site(path).place.name
    path.write_text(text.replace(f'name = "{name}"', 'name = "Cold/Fork #1 +"'))
    site = load_site(path)
    assert site.mqtt is not None
    assert site.mqtt.prefix.startswith("halfmark/Cold_Fork _1 __")
    assert site.mqtt.prefix.count("/") == 1


@pytest.mark.parametrize(
    ("more", "key", "words"),
    [
        ("[mqtt]", "mqtt.server", "must be given"),
        ('[mqtt]\nserver = "mqtt://b"', "mqtt.server", "without port or scheme"),
        ('[mqtt]\nserver = "b"\nport = 0', "mqtt.port", "8883 with TLS"),
        ('[mqtt]\nserver = "b"\nsecurity = "starttls"', "mqtt.security", "one of tls, none"),
        ('[mqtt]\nserver = "b"\nuser = "u"', "mqtt.secret", "must be given with user"),
        ('[mqtt]\nserver = "b"\nsecret = "s"', "mqtt.user", "must be given with secret"),
        ('[mqtt]\nserver = "b"\nsecurity = "none"\nuser = "u"\nsecret = "s"', "mqtt.security", "in the clear"),
        ('[mqtt]\nserver = "b"\nprefix = "a/#"', "mqtt.prefix", "without the wildcards"),
        ('[mqtt]\nserver = "b"\nprefix = "$SYS/a"', "mqtt.prefix", "not beginning with $"),
        ('[mqtt]\nserver = "b"\nprefix = "/a"', "mqtt.prefix", "none of them empty"),
        ('[mqtt]\nserver = "b"\nevery_s = 1', "mqtt.every_s", "from 10 to"),
        ('[mqtt]\nserver = "b"\ntopic = "a"', "mqtt.topic", ""),
        ('[metrics]\nlisten = "0.0.0.0:7412"', "metrics.listen", "this computer itself"),
        ('[metrics]\nlisten = "192.0.2.1:7412"', "metrics.listen", "ssh -L"),
        ('[metrics]\nlisten = "[::]:7412"', "metrics.listen", "this computer itself"),
        ('[metrics]\nlisten = "127.0.0.1.example.org:7412"', "metrics.listen", "this computer itself"),
        ('[metrics]\nlisten = "127.0.0.256:7412"', "metrics.listen", "this computer itself"),
        ('[metrics]\nlisten = "127.0.0.1:80"', "metrics.listen", "from 1024"),
        ('[metrics]\nlisten = ":7412"', "metrics.listen", "this computer itself"),
        ('[metrics]\nlisten = "127.²:7412"', "metrics.listen", "this computer itself"),
        ("[metrics]\nlisten = 7412", "metrics.listen", "this computer itself"),
    ],
)
def test_each_slip_is_told(tmp_path: Path, more: str, key: str, words: str) -> None:
    with pytest.raises(ConfigError) as told:
        load_site(write_site(tmp_path, more=f"\n{more}\n"))
    (mistake,) = told.value.mistakes
    assert mistake.key == key
    assert words in mistake.allowed


def test_check_says_what_goes_where(tmp_path: Path) -> None:
    more = '\n[mqtt]\nserver = "mqtt.example.org"\nuser = "hill"\nsecret = "mqtt-password"\n[metrics]\n'
    path, out = write_site(tmp_path, more=more), io.StringIO()
    assert run_check(path, secrets_folder=tmp_path / "secrets", out=out) == 0
    text = " ".join(out.getvalue().split())
    assert "MQTT latest values to mqtt.example.org:8883 (TLS) as hill, each 60 s, under halfmark/" in text
    assert "Metrics for this computer alone, at http://127.0.0.1:7412/metrics" in text
    assert "Secret mqtt-password: not there yet" in text
    assert "paho" not in text, "it is installed here"


def test_check_says_when_the_package_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    out = io.StringIO()
    path = write_site(tmp_path, more='\n[mqtt]\nserver = "mqtt.example.org"\n')
    assert run_check(path, secrets_folder=tmp_path, out=out) == 0
    assert "halfmark[mqtt]" in out.getvalue()


def test_a_secret_open_to_others_is_a_mistake(tmp_path: Path) -> None:
    path = write_site(tmp_path, more='\n[mqtt]\nserver = "b.example.org"\nuser = "hill"\nsecret = "mqtt-password"\n')
    (tmp_path / "secrets").mkdir(mode=0o700)
    write_secret(tmp_path, "mqtt-password", "x")
    (tmp_path / "secrets" / "mqtt-password").chmod(0o644)
    out = io.StringIO()
    assert run_check(path, secrets_folder=tmp_path / "secrets", out=out) == 2
    assert "mqtt-password" in out.getvalue()
