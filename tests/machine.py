"""What a test needs of the machine beside Python: Debian programs that may not be there."""

from __future__ import annotations

import os
import shutil

import pytest

STRICT = "LEEWARD_STRICT_MACHINE"


def require(program: str) -> str:
    """Path of `program`. Where it is absent the test is skipped with a reason.

    With LEEWARD_STRICT_MACHINE=1 it fails instead, so that CI cannot pass by leaving tests out.
    """
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/sbin")
    if path is not None:
        return path
    reason = f"{program} is not installed on this machine"
    if os.environ.get(STRICT) == "1":
        pytest.fail(f"{reason}, and {STRICT}=1 wants it")
    pytest.skip(reason)
