"""The compiler's settings for kernels, and where their machine code is kept.

Lives here: the `kernel` decorator, and `lent`. Must not know what kernels compute.

The compiler's own cache looks only at the file of the kernel that is called, not at the files of the kernels inside it;
after an update it would go on running old code. So machine code is kept under a name made from all kernel sources.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba as nb
from numba.core.cgutils import get_null_value, unpack_tuple
from numba.core.types import Array as ArrayType
from numba.core.types import BaseTuple
from numba.extending import intrinsic
from numba.np.arrayobj import make_array

_config: Any = nb.config
_PACKAGE = Path(__file__).parents[1]
_SOURCES = sorted(path for room in ("ground", "ranging", "forecast") for path in (_PACKAGE / room).glob("*.py"))
_STAMP = hashlib.sha256(b"".join(path.read_bytes() for path in _SOURCES)).hexdigest()[:16]

CACHE = _PACKAGE / "__pycache__" / f"kernels-{_STAMP}"
"""Folder of the machine code of these very sources."""


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function on first use, without the interpreter's lock, and keep the machine code."""
    before = _config.CACHE_DIR
    _config.CACHE_DIR = before or str(CACHE)
    try:
        return nb.njit(cache=True, nogil=True, error_model="numpy")(function)
    finally:
        _config.CACHE_DIR = before


def _uncounted(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    if isinstance(kind, BaseTuple):
        parts = zip(kind.types, unpack_tuple(builder, value), strict=True)  # type: ignore[attr-defined, no-untyped-call]
        return context.make_tuple(builder, kind, [_uncounted(context, builder, *part) for part in parts])
    if isinstance(kind, ArrayType):
        array = make_array(kind)(context, builder, value=value)  # type: ignore[no-untyped-call]
        array.meminfo = get_null_value(array.meminfo.type)  # type: ignore[no-untyped-call]
        return array._getvalue()
    return value


def _lent(_: Any, things: Any) -> Any:
    """Return an array, or a tuple with arrays in it, whose references are not counted.

    Counting takes slow atomic steps, dozens at each call that a light is passed to, and threads wait for each other's.
    For use within a kernel, on its own arguments, which outlive it; what is lent must not be returned.
    """
    return things(things), lambda context, builder, _, given: _uncounted(context, builder, things, given[0])


lent: Any = (lambda things: things) if _config.DISABLE_JIT else intrinsic(_lent)
