"""The page's JSDoc types hold, by the TypeScript compiler."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from server.screen.assets import WEB
from tests.machine import require, require_node_tools

NPM = Path(__file__).parent / "npm"


def check(source: Path, folder: Path) -> str:
    """What tsc complains of. Its settings are written outside the tree, with the paths of here."""
    tools = require_node_tools()
    settings = json.loads((NPM / "tsconfig.json").read_text())
    settings["compilerOptions"] |= {
        "paths": {"leeward/*": [f"{source}/*"], "leaflet": [f"{tools}/@types/leaflet"]},
        "typeRoots": [f"{tools}/@types"],
    }
    settings["include"] = [f"{source}/**/*.js"]
    (folder / "tsconfig.json").write_text(json.dumps(settings))
    compiler = [require("node"), str(tools / "typescript" / "bin" / "tsc")]
    done = subprocess.run(
        [*compiler, "-p", str(folder)], capture_output=True, text=True, check=False, timeout=300
    )
    return done.stdout + done.stderr


def test_the_types_of_the_page_hold(tmp_path: Path) -> None:
    assert check(WEB, tmp_path) == ""


def test_the_check_sees_a_mistake(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    (source / "words.js").write_text((WEB / "words.js").read_text())
    (source / "wrong.js").write_text(
        "import { nothing } from 'leeward/words.js';\n/** @type {number} */\nexport const a = nothing + '';\n"
        "/** @param {string | null} may */\nexport const long = (may) => may.length;\n"
    )
    said = check(source, tmp_path)
    assert "TS2305" in said  # no such export
    assert "TS2322" in said  # a text is no number
    assert "TS18047" in said  # what may be null has no length
