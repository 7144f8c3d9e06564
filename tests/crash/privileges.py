"""Permissions that mean something also when the tests are run by the superuser."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager

_VERSION_3 = 0x20080522
# CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH of <linux/capability.h>: to pass over the permissions of files.
_PASS_OVER = (1 << 1) | (1 << 2)


class _Header(ctypes.Structure):
    _fields_ = [("version", ctypes.c_uint32), ("pid", ctypes.c_int)]


class _Set(ctypes.Structure):
    _fields_ = [
        ("effective", ctypes.c_uint32),
        ("permitted", ctypes.c_uint32),
        ("inheritable", ctypes.c_uint32),
    ]


@contextmanager
def without_privileges() -> Iterator[None]:
    """Inside, this thread and those it starts are bound by the permissions of files, as any user is."""
    if os.geteuid() != 0:
        yield
        return
    libc = ctypes.CDLL(None, use_errno=True)
    header, sets = _Header(_VERSION_3, 0), (_Set * 2)()
    if libc.capget(ctypes.byref(header), sets) != 0:
        raise OSError(ctypes.get_errno(), "capget")
    before = sets[0].effective
    sets[0].effective = before & ~_PASS_OVER
    if libc.capset(ctypes.byref(header), sets) != 0:
        raise OSError(ctypes.get_errno(), "capset")
    try:
        yield
    finally:
        sets[0].effective = before
        if libc.capset(ctypes.byref(header), sets) != 0:
            raise OSError(ctypes.get_errno(), "capset")
