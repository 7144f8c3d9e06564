"""The packets' CRC-16/MCRF4XX for many frames at once.

The polynomial x^16 + x^12 + x^5 + 1 has coefficients in GF(2), so its powers of two keep four terms:
P^(2^k) = x^(16*2^k) + x^(12*2^k) + x^(5*2^k) + 1. Modulo P^16 a whole 64-bit word folds into later
words by moves of 64, 176 and 256 bits; P^8, P^4, P^2 and P finish the way down to 16 bits. That takes
a handful of whole-array exclusive-ors per word where a table look-up takes one step per byte.

Frames lie at any byte. The words are fetched where the memory has them, aligned, and masked at both
ends: zeros before a message do not change its remainder, and the zeros after it are undone in the one
table that also undoes the extra byte (`_required`).

References
----------
.. [1] MAVLink developer guide, "Packet serialization": CRC-16/MCRF4XX (reflected 0x1021, start 0xFFFF,
   no final exclusive-or) over everything after the magic byte, then the message's extra byte.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from trimkeep.service.readers import tlog_kernel

Bytes = NDArray[np.uint8]
Positions = NDArray[np.intp]
Codes = NDArray[np.uint16]
Words = NDArray[np.uint64]

# Shifts by numpy scalars of the words' own type are the fast ones.
_16, _20, _24, _32, _40, _44, _48 = (np.uint64(bits) for bits in (16, 20, 24, 32, 40, 44, 48))

BLOCK = 8192
"""Frames folded at once: their bytes and a dozen columns stay in the second-level cache."""
LONGEST_BODY = 9 + 255
NO_EXTRA = -1


def crc_matches(data: Bytes, first: Positions, end: Positions, extra: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """True where the two bytes at `end` are the checksum of the bytes from `first` up to `end`.

    Parameters
    ----------
    data : ndarray of uint8
        Padded: its length is a multiple of 8 and `end + 2` lies inside.
    first, end : ndarray of intp, shape (n,)
        First byte after the magic byte; first byte of the checksum. `first` is at least 1.
    extra : ndarray of uint8, shape (n,)
        The messages' extra bytes.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if tlog_kernel.kernel is None:
        return crc_matches_by_arrays(data, first, end, extra)
    good = np.empty(first.size, bool)
    tlog_kernel.kernel.crc_matches(data, first, end, extra, good)
    return good


def crc_matches_by_arrays(
    data: Bytes, first: Positions, end: Positions, extra: NDArray[np.uint8]
) -> NDArray[np.bool_]:
    """`crc_matches` without the compiled kernel."""
    words = data.view(np.uint64)
    good = np.empty(first.size, bool)
    for at in range(0, first.size, BLOCK):
        a, e, x = first[at : at + BLOCK], end[at : at + BLOCK], extra[at : at + BLOCK]
        # The checksum less the extra byte's and the start value's share: they add up, bit by bit.
        pure = _received(data, e) ^ _step_of_start().take(e - a) ^ _byte_table().take(x)
        pure |= _trailing(e) << 16
        remainder, order = _remainder(words, a, e)
        good[at : at + BLOCK][order] = _required().take(pure.take(order)) == remainder
    return good


def definition_extra(name: str, fields: Sequence[tuple[str, str, int]]) -> int:
    """The extra byte of a message: the checksum over its definition, low byte xor high byte.

    Parameters
    ----------
    name : str
        Message name.
    fields : sequence of (name, type, array length or 0)
        In wire order, extension fields left out.

    Examples
    --------
    >>> definition_extra("EXTENDED_SYS_STATE", (("vtol_state", "uint8_t", 0), ("landed_state", "uint8_t", 0)))
    130
    """
    text = f"{name} ".encode()
    for field, kind, length in fields:
        text += f"{kind} {field} ".encode() + (bytes([length]) if length else b"")
    state, table = 0xFFFF, _byte_table()
    for byte in text:
        state = (state >> 8) ^ int(table[(state ^ byte) & 0xFF])
    return (state & 0xFF) ^ (state >> 8)


def implied_extra(data: Bytes, first: Positions, end: Positions) -> NDArray[np.int16]:
    """The extra byte with which each frame's checksum would be right, or `NO_EXTRA`.

    Only one in 256 corrupted frames has one, so this also tests frames of messages that no table knows.
    """
    if tlog_kernel.kernel is None:
        return implied_extra_by_arrays(data, first, end)
    implied = np.empty(first.size, np.int16)
    tlog_kernel.kernel.implied_extra(data, first, end, implied)
    return implied


def implied_extra_by_arrays(data: Bytes, first: Positions, end: Positions) -> NDArray[np.int16]:
    """`implied_extra` without the compiled kernel."""
    words = data.view(np.uint64)
    implied = np.empty(first.size, np.int16)
    for at in range(0, first.size, BLOCK):
        a, e = first[at : at + BLOCK], end[at : at + BLOCK]
        remainder, order = _remainder(words, a, e)
        a, e = a[order], e[order]
        state = _undo().take((_trailing(e) << 16) | remainder) ^ _start_state().take(e - a)
        index = _table_index().take(_received(data, e) ^ (state >> 8))
        extra = np.where(index < 0, NO_EXTRA, index ^ (state & 0xFF).astype(np.int16))
        implied[at : at + BLOCK][order] = extra
    return implied


def _trailing(end: Positions) -> Positions:
    """Bytes between the end of the body and the end of its last aligned word."""
    return -end & 7


def _received(data: Bytes, end: Positions) -> Positions:
    received = data[1:].take(end).astype(np.intp)
    received <<= 8
    received |= data.take(end)
    return received


def _remainder(words: Words, first: Positions, end: Positions) -> tuple[Codes, Positions]:
    """The aligned words that hold each body, the rest of them zeroed, modulo P; and their order.

    The frames are ordered by falling number of words, so that the frames which have a k-th word, counted
    from the end, are always the first so many, and no work is done on words that are not there.
    """
    last = (end - 1) >> 3
    n_words = (last - (first >> 3)).astype(np.uint8)  # less one
    order = np.argsort(~n_words, kind="stable")
    counts = np.bincount(n_words)
    having = counts[::-1].cumsum()[::-1].tolist()  # [k]: frames with more than k words
    columns = _columns(words, first.take(order), end.take(order), last.take(order), having)
    spare = np.empty(first.size, np.uint64)
    for k in range(len(having) - 1, 3, -1):
        w, n = columns[k], having[k]
        shifted = spare[:n]
        columns[k - 1][:n] ^= w
        columns[k - 2][:n] ^= np.left_shift(w, _48, out=shifted)
        columns[k - 3][:n] ^= np.right_shift(w, _16, out=shifted)
        columns[k - 4][:n] ^= w
    for k in range(min(len(having) - 1, 3), 1, -1):
        w, n = columns[k], having[k]
        shifted, near, far = spare[:n], columns[k - 1][:n], columns[k - 2][:n]
        w ^= np.left_shift(w, _32, out=shifted)
        near ^= np.right_shift(w, _32, out=shifted)
        near ^= np.left_shift(w, _24, out=shifted)
        far ^= np.right_shift(w, _40, out=shifted)
        far ^= w
    if len(having) > 1:
        n = having[1]
        _fold_into_next(columns[1], columns[0][:n], spare[:n])
    return _narrow(columns[0]), order


def _columns(
    words: Words, first: Positions, end: Positions, index: Positions, having: list[int]
) -> list[Words]:
    """The last, the last but one, ... word of all frames that have it, bytes of others zeroed."""
    columns: list[Words] = []
    lead = ((first & 7) << 3).astype(np.uint64)
    for k, n in enumerate(having):
        word = words.take(index[:n], mode="clip")
        if k == 0:
            shift = (_trailing(end) << 3).astype(np.uint64)
            word <<= shift
            word >>= shift
        begins = slice(having[k + 1] if k + 1 < len(having) else 0, n)
        word[begins] >>= lead[begins]
        word[begins] <<= lead[begins]
        columns.append(word)
        index -= 1
    return columns


def _fold_into_next(w: Words, following: Words, spare: Words) -> None:
    """Modulo P^4: x^64 = x^48 + x^20 + 1. The moves that stay inside the word are summed up first."""
    full = w ^ np.left_shift(w, _16, out=spare)
    full ^= np.left_shift(full, _32, out=spare)
    full ^= np.left_shift(w, _44, out=spare)
    following ^= full
    following ^= np.right_shift(full, _48, out=spare)
    following ^= np.right_shift(full, _20, out=spare)


def _narrow(word: Words) -> Codes:
    """64 bits to 16: modulo P^2 (x^32 = x^24 + x^10 + 1), then modulo P."""
    halves = word.view(np.uint32)
    early = halves[0::2].copy()
    full = early ^ (early << 8)
    full ^= full << 16
    full ^= early << 22
    rest = halves[1::2] ^ full
    rest ^= full >> 24
    rest ^= full >> 10
    quarters = rest.view(np.uint16)
    first: Codes = quarters[0::2].copy()
    whole: Codes = first ^ np.left_shift(first, np.uint16(4))
    whole ^= whole << 8
    whole ^= first << 11
    remainder: Codes = quarters[1::2] ^ whole
    remainder ^= whole >> 12
    remainder ^= whole >> 5
    return remainder


@cache
def _byte_table() -> Codes:
    value = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        value = np.where(value & 1, (value >> 1) ^ 0x8408, value >> 1).astype(np.uint16)
    return value


def _step(state: Codes) -> Codes:
    """The checksum register after one more zero byte."""
    return (state >> 8) ^ _byte_table()[state & 0xFF]


@cache
def _start_state() -> Codes:
    """Register after as many zero bytes as the index says: the start value's share in the checksum."""
    state = np.full(1, 0xFFFF, np.uint16)
    states = [state]
    for _ in range(LONGEST_BODY):
        state = _step(state)
        states.append(state)
    return np.concatenate(states)


@cache
def _step_of_start() -> Codes:
    return _step(_start_state())


@cache
def _step_powers() -> dict[int, Codes]:
    """`_step` done n times, n from -5 to 4, as tables over all registers (it is a permutation)."""
    every = np.arange(65536, dtype=np.uint16)
    powers = {0: every}
    back = np.empty_like(every)
    back[_step(every)] = every
    for n in range(1, 6):
        powers[n] = _step(powers[n - 1])
        powers[-n] = back[powers[1 - n]]
    return powers


@cache
def _required() -> Codes:
    """Remainder that the aligned words must have, by trailing bytes and checksum.

    The checksum holds one step more than the body (the extra byte), the body's register two bytes more
    than its remainder, and the words `trailing` bytes more than the body.
    """
    return np.concatenate([_step_powers()[trailing - 3] for trailing in range(8)])


@cache
def _undo() -> Codes:
    """Register after the body, by trailing bytes and remainder of the aligned words."""
    return np.concatenate([_step_powers()[2 - trailing] for trailing in range(8)])


@cache
def _table_index() -> NDArray[np.int16]:
    index = np.full(65536, NO_EXTRA, np.int16)
    index[_byte_table()] = np.arange(256)
    return index
