"""Breaking files: the things that bad sectors, radios, spreadsheets and people do to them."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np

Mutation = Callable[[bytearray, np.random.Generator], bytearray]

WORDS = [
    b"nan", b"inf", b"-inf", b"1e999", b"-1", b"0", b"1e-400", b"99999999999999999999", b"\xff\xfe", b"\0",
    b'"', b"'", b"[", b"]", b"{", b"}", b"=", b",", b";", b"\t", b"\r", b"\n", b"#", b":", b".", b"T",
    b"true", b"1979-05-27", b"0001-01-01", b"9999-12-31T23:59:59-23:59", b"+00:00", b"-5", b"1.5", b'""',
    b"[[]]", b"'x'", "\u00b2".encode(), "\u0663".encode(), "\u202e".encode(), b"\xfd", b"\xfe", b"\xff" * 8,
    b"\x00\x00\x00\x00\x00\x00\xf0\x7f", b"\x00\x00\xc0\x7f", b"time_s", b"time_utc", b"control_mode",
    b"output_0_1_us", b"param.X", b"start_utc", b"PAR1",
]  # fmt: skip


def _place(data: bytearray, rng: np.random.Generator) -> int:
    return int(rng.integers(0, len(data) + 1))


def _stretch(data: bytearray, rng: np.random.Generator) -> slice:
    start = _place(data, rng)
    return slice(start, start + int(2 ** rng.uniform(0, 12)))


def flip_bits(data: bytearray, rng: np.random.Generator) -> bytearray:
    """Some bits, anywhere."""
    for _ in range(int(rng.integers(1, 8)) if data else 0):
        data[int(rng.integers(0, len(data)))] ^= 1 << int(rng.integers(0, 8))
    return data


def set_bytes(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A byte to anything."""
    for _ in range(int(rng.integers(1, 5)) if data else 0):
        data[int(rng.integers(0, len(data)))] = int(rng.integers(0, 256))
    return data


def cut_end(data: bytearray, rng: np.random.Generator) -> bytearray:
    """The end is missing."""
    return data[: _place(data, rng)]


def zero_run(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A bad sector."""
    part = _stretch(data, rng)
    data[part] = bytes(len(data[part]))
    return data


def remove_run(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A stretch that was never written."""
    del data[_stretch(data, rng)]
    return data


def repeat_run(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A stretch written twice."""
    part = _stretch(data, rng)
    data[part.start : part.start] = data[part]
    return data


def move_run(data: bytearray, rng: np.random.Generator) -> bytearray:
    """Blocks in the wrong order."""
    part = _stretch(data, rng)
    moved = data[part]
    del data[part]
    at = _place(data, rng)
    data[at:at] = moved
    return data


def put_noise(data: bytearray, rng: np.random.Generator) -> bytearray:
    """Garbage between."""
    at = _place(data, rng)
    data[at:at] = rng.bytes(int(rng.integers(1, 64)))
    return data


_TOKEN = re.compile(rb"[\w.+\-]+|\"[^\"]*\"")


def swap_token(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A word or a number of the text becomes another, its own or a difficult one."""
    found = list(_TOKEN.finditer(data[:20000]))
    if not found:
        return data
    gone = found[int(rng.integers(0, len(found)))]
    word = WORDS[int(rng.integers(0, len(WORDS)))]
    if rng.random() < 0.4:
        word = bytes(found[int(rng.integers(0, len(found)))].group())
    data[gone.start() : gone.end()] = word
    return data


def put_word(data: bytearray, rng: np.random.Generator) -> bytearray:
    """Something that means something, where it does not belong."""
    at, word = _place(data, rng), WORDS[int(rng.integers(0, len(WORDS)))]
    data[at : at + (len(word) if rng.random() < 0.5 else 0)] = word
    return data


MUTATIONS: tuple[Mutation, ...] = (
    flip_bits, set_bytes, cut_end, zero_run, remove_run, repeat_run, move_run, put_noise, put_word,
    swap_token, swap_token,
)  # fmt: skip


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """The bytes with one to four things done to them."""
    broken = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        broken = MUTATIONS[int(rng.integers(0, len(MUTATIONS)))](broken, rng)
    return bytes(broken)
