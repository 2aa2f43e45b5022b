"""Every compiler option, once; what is compiled is kept (`ascan.kernels.cache`)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

from ascan.kernels.cache import KernelCache, find_folder

Function = TypeVar("Function", bound=Callable[..., Any])

CACHE_FOLDER = find_folder()


def compiled(function: Function) -> Function:
    """Compile a function for the types it is first called with; it releases the GIL.

    Division follows numpy (inf and NaN, no exception), and no flag gives up NaN or infinity.
    """
    return _compile(function, fastmath=False)


def compiled_sums(function: Function) -> Function:
    """Compile a function whose sums may be taken in another order, so that they fill vectors.

    For figures that need not agree to the last bit when a record is shifted, such as a noise level.
    NaN and infinity are kept all the same.
    """
    return _compile(function, fastmath={"reassoc", "contract"})


def _compile(function: Function, fastmath: bool | set[str]) -> Function:
    dispatcher = numba.njit(nogil=True, error_model="numpy", fastmath=fastmath)(function)
    if CACHE_FOLDER is not None:
        dispatcher._cache = KernelCache(dispatcher, CACHE_FOLDER)
    return dispatcher  # type: ignore[no-any-return]
