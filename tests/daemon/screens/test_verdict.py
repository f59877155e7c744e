from daemon.picture import AlertPicture
from daemon.screens.verdict import alert_state, by_severity


def an_alert(name: str, severity: str, covered_by: str | None = None, held: bool = False) -> AlertPicture:
    return {
        "alert": name,
        "rule": name,
        "severity": severity,
        "for_s": 60.0,
        "since_utc": None,
        "value": 1.0,
        "limit": 1.0,
        "meaning": "",
        "to_do": "",
        "acked": None,
        "covered_by": covered_by,
        "held": held,
    }


def test_what_another_alert_explains_comes_last_and_says_so() -> None:
    explained = an_alert("instrument-silent:shunt", "urgent", covered_by="line-down:rs485")
    rows = by_severity([explained, an_alert("half", "advice"), an_alert("line-down:rs485", "act")])
    assert [row["alert"] for row in rows] == ["line-down:rs485", "half", "instrument-silent:shunt"]
    assert [alert_state(row) for row in rows] == ["", "", "explained by line-down:rs485"]


def test_an_alert_that_is_held_and_taken_on_says_both() -> None:
    row = an_alert("hot", "act", held=True)
    row["acked"] = {"who": "Ann"}
    assert alert_state(row) == "taken on, comes and goes"
