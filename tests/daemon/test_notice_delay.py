"""The short form of tests/bench/notice_delay.py."""

from servers.notice_rig import measure_delays
from servers.records import open_folder

MOST_S = 10.0  # the promise: handed to the first way out within this, once the rule holds


def test_a_notice_is_with_the_mail_server_within_ten_seconds() -> None:
    with open_folder() as folder:
        delays = measure_delays(folder, rounds=1, rules=["enclosure-hot"], shunt_s=0.5, controller_s=1.0)
    assert [delay.state for delay in delays] == ["raised", "cleared"]
    assert max(delay.from_reading_s for delay in delays) <= MOST_S
