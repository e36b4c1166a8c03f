"""The golden messages fit the models, and are what the hub sends today."""

import json
from pathlib import Path

import pytest
from pydantic import ValidationError

from server.screen.messages import FromServer, Resume
from server.screen.state_schema import State
from tests.screen.golden.make import FOLDER, as_text, golden_messages

ORDER = json.loads((FOLDER / "order.json").read_text())


@pytest.mark.parametrize("name", ORDER)
def test_a_golden_message_fits_its_model(name: str) -> None:
    message = FromServer.validate_json((FOLDER / name).read_bytes())
    assert message.session == "golden"


async def test_the_hub_sends_the_golden_messages() -> None:
    messages = golden_messages()
    assert list(messages) == ORDER
    for name, content in messages.items():
        assert (FOLDER / name).read_text() == as_text(content), (
            f"{name}: see tests/screen/golden/make.py"
        )


def test_every_golden_file_is_in_the_order() -> None:
    assert {path.name for path in FOLDER.glob("*.json")} == {*ORDER, "order.json"}


def test_a_key_that_no_model_knows_is_refused() -> None:
    state = _snapshot()["state"]
    with pytest.raises(ValidationError, match="surprise"):
        State.model_validate({**state, "surprise": 1})


def test_a_time_in_another_form_is_refused() -> None:
    state = _snapshot()["state"]
    with pytest.raises(ValidationError, match="now"):
        State.model_validate({**state, "now": "2026-05-02 14:03:11"})


def test_the_browsers_first_message() -> None:
    """What web/socket.js sends, without a flight and with one."""
    assert Resume.model_validate_json('{"kind":"resume","session":null,"sequence":null}')
    assert Resume.model_validate_json('{"kind":"resume","session":"golden","sequence":4}')


def test_the_page_knows_every_section() -> None:
    """web/types.js names every key that the models send, so that neither side drifts."""
    types = (Path(__file__).parents[3] / "web" / "types.js").read_text()
    keys: set[str] = set()

    def collect(value: object) -> None:
        if isinstance(value, dict):
            for key, part in value.items():
                if key != "phase_probability":
                    keys.add(key)
                    collect(part)
        elif isinstance(value, list):
            for part in value:
                collect(part)

    collect(_snapshot()["state"])
    assert {key for key in keys if key not in types} == set()


def _snapshot() -> dict:  # type: ignore[type-arg]
    return json.loads((FOLDER / ORDER[0]).read_text())
