"""What a link in a message allows: once, for one alarm, as long as it holds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from stillwell.alarm.answer_link import Rejected, claimed, holds, request_of, signed
from stillwell.request import Request
from stillwell.store import Store


@dataclass(frozen=True, slots=True)
class Allowed:
    """What is to be done, and under which name it is kept that the link has been used."""

    request: Request
    used: tuple[str, date]


class UsedLinks:
    """The links of one store. `key`: what they are signed with; None where none are made."""

    def __init__(self, store: Store, key: bytes | None) -> None:
        self._store = store
        self._key = key

    def allowed(self, request: Request, utc_ms: int) -> Allowed | Rejected:
        """Returns what the link in `request` allows now, or why nothing."""
        if request.link:
            answer = claimed(request.link)
        elif self._key is None:
            return Rejected("This daemon makes no links: see [page] in its configuration.")
        else:
            answer = signed(request.token, self._key)
        if isinstance(answer, Rejected):
            return answer
        used = f"link {answer.once}", datetime.fromtimestamp(answer.expires_ms / 1000, UTC).date()
        taken = {answer.once} if self._store.is_done(*used) else frozenset()
        found = holds(answer, utc_ms, taken)
        if isinstance(found, Rejected):
            return found
        allowed = request_of(answer, request.by or "a link")
        return Allowed(replace(allowed, age_s=request.age_s, way=request.way), used)

    def use(self, allowed: Allowed) -> None:
        """Keeps that the link has been used."""
        self._store.mark_done(*allowed.used)
