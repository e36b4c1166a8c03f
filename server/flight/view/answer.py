"""What was worked out of one flight off the event loop, and the question that it answers."""

from __future__ import annotations

from typing import NamedTuple

from server.flight.chase.question import Chase
from server.flight.landing.fall_signs import FallSigns
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.view.landing import Drawn
from server.flight.view.search import Searched


class Answer(NamedTuple):
    """A prediction with the question that it answers, and what the two say of the fall and draw on the map.

    `signs`, `drawn` None: worked out when it is shown (up to 0.1 s).
    """

    question: LandingQuestion
    landing: Landing
    signs: FallSigns | None = None
    drawn: Drawn | None = None
    search: Searched | None = None  # while it is not heard
    chase: Chase | None = None  # over roads, of this landing or the one before
