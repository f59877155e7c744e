"""Letters on their way, whole and hostile."""

from daemon.sending.ways import Letter

UTC_S = 1_768_239_600.0  # 2026-01-12 17:40 UTC
HOSTILE = (
    "Ridge\r\nX-Evil: 1\r\n\r\nBody",
    "Ridge\nBcc: all@example.com",
    "\x1b[2J\x00\x07\x9bRidge",
    "$(reboot)`reboot`;reboot|reboot&\"'",
    "\u202eegdiR\u2028\u2066",
    "W" * 5000,
)


def a_letter(key: str = "0a1b-7-7200000", **parts: object) -> Letter:
    row: dict[str, object] = {
        "key": key,
        "alert": "below-half-mark",
        "state": "raised",
        "severity": "urgent",
        "utc_s": UTC_S,
        "site": "Cold Fork Ridge",
        "subject": "Cold Fork Ridge: URGENT: bank below its half mark, raised",
        "text": "Site:     Cold Fork Ridge\n\nlast line\n",
        "short": "Cold Fork Ridge URGENT",
    }
    return Letter(**(row | parts))  # type: ignore[arg-type]


def hostile_letter(text: str) -> Letter:
    return a_letter(text, alert=text, state=text, severity=text, site=text, subject=text, text=text, short=text)
