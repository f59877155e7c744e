"""The lookahead as a part of the picture, and what a supposed traffic would make of it."""

from daemon.picture import Picture
from shared.lookahead import Forecast

KEPT_EVERY_H = 6  # of the hours ahead, in the picture that the record keeps each minute
_BY_HOUR = ("hours", "low", "likely", "high")


def ahead_part(forecast: Forecast | None) -> dict[str, object] | None:
    """Give the picture's key `lookahead`; None without a forecast that is fresh.

    `hours` count from `made_s` (seconds since boot); low, likely and high are charges, 0 to 1; `share_crossing` is the
    chance of being below the half mark at some time until so many hours; `by` says where the time of day is from.
    """
    if forecast is None:
        return None
    return {
        "made_s": forecast.made_s,
        "hours": list(range(1, len(forecast.likely) + 1)),
        "low": [round(v, 3) for v in forecast.low],
        "likely": [round(v, 3) for v in forecast.likely],
        "high": [round(v, 3) for v in forecast.high],
        "hours_to_half_likely": forecast.half_likely_h,
        "hours_to_half_cautious": forecast.half_cautious_h,
        "hours_to_full": forecast.full_h,
        "share_crossing": {str(hours): round(share, 3) for hours, share in forecast.share_crossing.items()},
        "by": forecast.by,
    }


def for_the_record(picture: Picture) -> dict[str, object]:
    """The picture with fewer of the hours ahead: it is written each minute, and each byte wears the card."""
    kept: dict[str, object] = dict(picture)
    ahead = picture.get("lookahead")
    if ahead is not None:
        columns = {key: column for key in _BY_HOUR if isinstance(column := ahead[key], list)}
        thinned = {key: column[KEPT_EVERY_H - 1 :: KEPT_EVERY_H] for key, column in columns.items()}
        kept["lookahead"] = {**ahead, **thinned}
    return kept
