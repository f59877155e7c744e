"""Log a lasting trouble without flooding: the first time, then at a bounded rate, then the recovery."""

import logging

REPEAT_S = 3600.0


class TroubleLog:
    """One trouble that may come and go, for instance a silent instrument."""

    def __init__(self, log: logging.Logger, subject: str) -> None:
        self._log = log
        self._subject = subject
        self._count = 0
        self._since_s = 0.0
        self._said_s = 0.0

    @property
    def since_s(self) -> float | None:
        """When the present trouble began, seconds since boot; None when there is none."""
        return self._since_s if self._count else None

    def failed(self, now_s: float, why: str) -> None:
        """Count a failure; say it when it is the first or when it has lasted another REPEAT_S."""
        self._count += 1
        if self._count == 1:
            self._since_s = self._said_s = now_s
            self._log.warning("%s: %s", self._subject, why)
        elif now_s - self._said_s >= REPEAT_S:
            self._said_s = now_s
            minutes = (now_s - self._since_s) / 60.0
            self._log.warning(
                "%s: still failing after %.0f min, %d times: %s", self._subject, minutes, self._count, why
            )

    def recovered(self, now_s: float) -> None:
        """Say the end of the trouble with its count; silent when there was none."""
        if self._count:
            length_s = now_s - self._since_s
            self._log.info("%s: well again after %d failures in %.1f s", self._subject, self._count, length_s)
        self._count = 0
