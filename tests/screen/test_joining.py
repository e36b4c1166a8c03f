"""Modules joined to one script run as they do alone: both forms in one JavaScript engine, node."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from server.screen.joining import joined, names_joined
from tests.machine import require

PAGE = '<link rel="stylesheet" href="/lib/a.css">\n{sheets}<script type="module" src="/web/{entry}"></script>'

MODULES = {
    # the order of evaluation is what each one says
    "deep/first.js": (
        "console.log('first');\nexport const ONE = 1;\nexport const { a, b } = { a: 3, b: 4 };\n"
    ),
    "second.js": (
        "import { ONE as one,\n  a,\n} from './deep/first.js';\nimport * as all from './deep/first.js';\n"
        "console.log('second', one + a, Object.keys(all).sort().join());\nconst own = 'hidden';\n"
        "export async function later() {\n  return own;\n}\n"
    ),
    "third.js": (
        "import { b } from './deep/first.js';\nconst own = 'another of that name';\n"
        "console.log('third', b, own);\nexport class Third { static name_of = () => own; }\n// the end"
    ),
    "main.js": (
        "import { Third } from './third.js';\nimport { later } from './second.js';\n"
        "/** @type {import('./third.js').Third} */\nconst third = Third.name_of();\n"
        "later().then((own) => console.log('main', third, own))\n"
        "  .then(() => import('./deep/far.js').then(({ told }) => told()));\n"
        "console.log(new URL('./deep/far.js', import.meta.url).pathname.endsWith('deep/far.js'));\n"
    ),
    "deep/far.js": (
        "import { ONE } from './first.js';\nimport { Third } from '../third.js';\n"
        "export function told() { console.log('far', ONE, Third.name_of()); }\n"
    ),
}


def write(folder: Path, files: dict[str, str | bytes]) -> None:
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode())


def said(script: Path) -> list[str]:
    done = subprocess.run(
        [require("node"), str(script)], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


def test_it_runs_as_the_modules_do(tmp_path: Path) -> None:
    write(tmp_path, {**MODULES, "package.json": '{"type": "module"}'})
    write(tmp_path, {"index.html": PAGE.format(sheets="", entry="main.js")})
    alone = said(tmp_path / "main.js")
    made = joined(tmp_path)
    write(tmp_path, dict(made.files))
    first, third = "first", "third 4 another of that name"
    begun = [first, third, "second 4 ONE,a,b", "true", "main another of that name hidden"]
    assert alone == [*begun, "far 1 another of that name"]
    # what is asked for while it runs is joined by itself, with modules of its own
    assert said(tmp_path / "joined" / "main.js") == [*begun, first, third, alone[-1]]
    assert set(made.files) == {"joined/main.js", "joined/deep/far.js"}
    assert made.parts == set(MODULES)


def test_sheets_stay_in_their_order_and_other_peoples_are_left_alone(tmp_path: Path) -> None:
    sheets = "".join(f'<link rel="stylesheet" href="/web/{name}.css">\n' for name in "ba")
    page = PAGE.format(sheets=sheets, entry="main.js")
    write(tmp_path, {"index.html": page, "a.css": "p { color: red }", "b.css": "p { color: blue }"})
    write(tmp_path, {"main.js": ""})
    assert joined(tmp_path).files["joined/index.css"] == b"p { color: blue }\np { color: red }"
    assert names_joined("index.html", page) == (
        '<link rel="stylesheet" href="/lib/a.css">\n<link rel="stylesheet" href="/web/joined/index.css">\n'
        '<script type="module" src="/web/joined/main.js"></script>'
    )


@pytest.mark.parametrize(
    ("modules", "told"),
    [
        (
            {"main.js": "import { a } from './b.js';", "b.js": "import { c } from './main.js';"},
            "by way of",
        ),
        ({"main.js": "import { a } from './b.js';", "b.js": ""}, "b.js does not export a"),
        ({"main.js": "export let a = 1;"}, "export let a"),
        ({"main.js": "import a from './b.js';"}, "import a from"),
        ({"main.js": "export { a } from './b.js';"}, "export { a }"),
        ({"main.js": "export default 1;"}, "export default"),
        ({"main.js": "const a = await fetch('b');"}, "const a = await"),
    ],
)
def test_what_cannot_be_joined_is_an_error(
    tmp_path: Path, modules: dict[str, str], told: str
) -> None:
    write(tmp_path, {**modules, "index.html": PAGE.format(sheets="", entry="main.js")})
    with pytest.raises(ValueError, match=told):
        joined(tmp_path)
