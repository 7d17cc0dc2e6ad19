"""Who acts on an alert, and how long it may be put aside (ISA-18.2: shelving ends by itself and has a reason)."""

from __future__ import annotations

from typing import Final

from monitor.plant.plain import is_plain
from monitor.status.amounts import AmountError, plain, read_time
from monitor.status.body import Sent
from monitor.status.problems import Problem

LONGEST_S: Final = 7 * 86400.0
_LONGEST_TEXT: Final = 200


def who_of(got: Sent) -> str:
    """Return who acts, as they say themselves; the page or the API stands in for nobody."""
    who = got.fields.get("who", "")
    if not isinstance(who, str) or len(who) > _LONGEST_TEXT or not is_plain(who.strip()):
        raise _fault("who", f"is a name of at most {_LONGEST_TEXT} letters, without control characters")
    return who.strip() or ("page" if got.form else "api")


def reason_of(got: Sent) -> str:
    """Return why an alert is put aside; `Problem` 422 if it is not said."""
    reason = got.fields.get("reason", "")
    if not isinstance(reason, str) or not reason.strip() or len(reason) > _LONGEST_TEXT or not is_plain(reason.strip()):
        raise _fault("reason", f"is needed: why may this alert wait? At most {_LONGEST_TEXT} letters on one line")
    return reason.strip()


def shelf_until(got: Sent, now_s: float, zone: str) -> tuple[float, str]:
    """Return until when and why an alert is shelved; `Problem` 422 if it is not said, past, or longer than a week."""
    reason = reason_of(got)
    until_s = _until(got, now_s, zone)
    if not now_s < until_s <= now_s + LONGEST_S:
        raise _fault("until", "must lie ahead, by a week at most")
    return until_s, reason


def _until(got: Sent, now_s: float, zone: str) -> float:
    hours, until = got.fields.get("hours"), got.fields.get("until")
    where = "hours" if until in (None, "") else "until"
    try:
        if where == "until":
            return read_time(until, now_s, zone if got.form else None)
        if not isinstance(hours, int | float | str) or hours == "":
            raise _fault("until", "is needed: until when (`until`), or for how many hours (`hours`)?")
        return now_s + plain(hours) * 3600
    except AmountError as error:
        raise _fault(where, str(error)) from None


def _fault(where: str, what: str) -> Problem:
    return Problem(422, f"{where} {what}.", errors=[{"where": where, "what": what}])
