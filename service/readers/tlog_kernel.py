"""The telemetry reader's loops over bytes and frames, compiled where the installing machine had a compiler.

The array code in `tlog_crc`, `tlog_walk`, `tlog_frames` and `tlog_messages` is the definition, and does the
work where there is no kernel: the same results to the last bit, somewhat slower.
"""

from __future__ import annotations

try:
    from trimkeep.service.readers import _tlog_kernel as kernel
except ImportError:  # installed without a compiler, or for another interpreter
    kernel = None  # type: ignore[assignment]


def compiled() -> bool:
    """Whether telemetry logs are read by the compiled loops."""
    return kernel is not None
