"""Whose token it is: guesses are paced, for one address and for all of them together."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

from starlette.exceptions import HTTPException
from starlette.requests import Request

from server.screen.access import asker
from server.screen.limits import ANY_WRONG_TOKENS, WRONG_TOKENS, Limits

MOST_KNOWN = 5_000
_ALL = "tokens of everybody"


class Tokens:
    """Past the pace no token is looked at, so that no answer tells a right one from a wrong one.

    A phone whose token was right suffers from nobody's guesses at its address; one that is new there is told
    to come again, and keeps what it has.
    """

    def __init__(self, limits: Limits, *, paced: bool) -> None:
        """Not `paced`: a station without keys asks nobody."""
        self._limits, self._paced = limits, paced
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()  # address and source

    def source(self, find: Callable[[str], str | None], token: str, request: Request) -> str:
        """What `find` gives for the token. HTTPException 404: nobody's; 429: not looked at."""
        who, found = asker(request.scope), find(token)
        if found is None or (who, found) not in self._known:
            self._pace(who, wrong=found is None)
        if found is None:
            raise HTTPException(404, "Nobody has this address. Compare it with the plan.")
        self._known[who, found] = None
        self._known.move_to_end((who, found))
        if len(self._known) > MOST_KNOWN:
            self._known.popitem(last=False)
        return found

    def _pace(self, who: str, *, wrong: bool) -> None:
        """Each wrong one takes its place; whether there is one left is asked of all."""
        if not self._paced:
            return
        places = ((WRONG_TOKENS, f"tokens of {who}"), (ANY_WRONG_TOKENS, _ALL))
        wait_s = max(self._limits.exhausted(rate, whose) for rate, whose in places)
        if wait_s:
            headers = {"Retry-After": str(wait_s)}
            raise HTTPException(429, f"Too often. Ask again in {wait_s} s.", headers)
        if wrong:
            for rate, whose in places:
                self._limits.wait_s(rate, whose)
