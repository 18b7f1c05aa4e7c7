"""The compiler's settings for kernels, and where their machine code is kept.

Lives here: the `kernel` decorator. Must not know what kernels compute.

The compiler's own cache looks only at the file of the kernel that is called, not at the files of the kernels inside it;
after an update it would go on running old code. So machine code is kept under a name made from all kernel sources.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba as nb

_PACKAGE = Path(__file__).parents[1]
_SOURCES = sorted(path for room in ("ground", "ranging", "forecast") for path in (_PACKAGE / room).glob("*.py"))
_STAMP = hashlib.sha256(b"".join(path.read_bytes() for path in _SOURCES)).hexdigest()[:16]

CACHE = _PACKAGE / "__pycache__" / f"kernels-{_STAMP}"
"""Folder of the machine code of these very sources."""


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function on first use, without the interpreter's lock, and keep the machine code."""
    config: Any = nb.config
    before = config.CACHE_DIR
    config.CACHE_DIR = before or str(CACHE)
    try:
        return nb.njit(cache=True, nogil=True, error_model="numpy")(function)
    finally:
        config.CACHE_DIR = before
