"""Line checks by name: the CRCs of the catalogue, and the two plain sums of older firmware.

A check is a function from bytes to a number of `width` bits. CRCs are built from the catalogue's parameters (width,
polynomial, initial value, reflection, final exclusive-or); three of them have a fast function in the standard
library, which is used instead and tested against the parameters. `xor` is the exclusive-or of all bytes, `sum8` their
sum modulo 256.

Names are compared without regard to case, blanks, dashes, slashes and underscores. An unknown name is refused with
the nearest known one. A bare "CRC-16" or "CCITT" is accepted only where the catalogue gives it as an alias, since
both words are used for several different checks.
"""

from __future__ import annotations

import binascii
import difflib
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, reduce
from operator import xor

from hil.errors import WireError

CheckFunction = Callable[[bytes], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrcModel:
    """One CRC by the catalogue's parameters; `reflected` holds for input and output alike.

    `value_of_digits` is the check over the nine bytes "123456789", `residue` what remains in the register after a
    message followed by its own check.
    """

    name: str
    aliases: tuple[str, ...]
    width: int
    polynomial: int
    initial: int
    reflected: bool
    final_xor: int
    value_of_digits: int
    residue: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A check that a line can carry: its catalogue name, its width in bits and its function."""

    name: str
    width: int
    compute: CheckFunction

    @property
    def digits(self) -> int:
        """How many hexadecimal digits the check needs."""
        return -(-self.width // 4)


def _crc(
    name: str,
    aliases: tuple[str, ...],
    width: int,
    polynomial: int,
    initial: int,
    reflected: bool,
    final_xor: int,
    value_of_digits: int,
    residue: int,
) -> CrcModel:
    return CrcModel(
        name=name,
        aliases=aliases,
        width=width,
        polynomial=polynomial,
        initial=initial,
        reflected=reflected,
        final_xor=final_xor,
        value_of_digits=value_of_digits,
        residue=residue,
    )


_F32 = 0xFFFFFFFF
# Name, aliases, width, polynomial, initial value, reflected, final exclusive-or, check of "123456789", residue.
CRC_MODELS: tuple[CrcModel, ...] = (
    _crc("CRC-8/SMBUS", ("CRC-8",), 8, 0x07, 0x00, False, 0x00, 0xF4, 0x00),
    _crc("CRC-8/MAXIM-DOW", ("DOW", "1-Wire"), 8, 0x31, 0x00, True, 0x00, 0xA1, 0x00),
    _crc("CRC-16/ARC", ("CRC-16", "IBM"), 16, 0x8005, 0x0000, True, 0x0000, 0xBB3D, 0x0000),
    _crc("CRC-16/MODBUS", ("MODBUS",), 16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37, 0x0000),
    _crc("CRC-16/IBM-3740", ("CCITT-FALSE", "AUTOSAR"), 16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1, 0x0000),
    _crc("CRC-16/XMODEM", ("XMODEM", "ZMODEM", "ACORN"), 16, 0x1021, 0x0000, False, 0x0000, 0x31C3, 0x0000),
    _crc("CRC-16/KERMIT", ("KERMIT", "CCITT-TRUE"), 16, 0x1021, 0x0000, True, 0x0000, 0x2189, 0x0000),
    _crc("CRC-16/IBM-SDLC", ("X-25", "HDLC FCS-16"), 16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E, 0xF0B8),
    _crc("CRC-32/ISO-HDLC", ("zlib", "Ethernet", "CRC-32"), 32, 0x04C11DB7, _F32, True, _F32, 0xCBF43926, 0xDEBB20E3),
    _crc("CRC-32/ISCSI", ("CRC-32C",), 32, 0x1EDC6F41, _F32, True, _F32, 0xE3069283, 0xB798B438),
)


def reflect(value: int, width: int) -> int:
    """Return the lowest `width` bits of `value` in the opposite order."""
    return int(f"{value:0{width}b}"[::-1], 2)


def crc_register(model: CrcModel, data: bytes) -> int:
    """Return the register after `data`, before the final exclusive-or, bit by bit as the catalogue defines it.

    Slow and plain: the table-driven function and the fast ones are tested against this. For a reflected model
    the register is given in the reflected order, as its residue is.
    """
    top = 1 << (model.width - 1)
    mask = (1 << model.width) - 1
    register = model.initial
    for byte in data:
        register ^= (reflect(byte, 8) if model.reflected else byte) << (model.width - 8)
        for _ in range(8):
            register = ((register << 1) ^ (model.polynomial if register & top else 0)) & mask
    return reflect(register, model.width) if model.reflected else register


def _table_driven(model: CrcModel) -> CheckFunction:
    """Return a function that works a byte at a time; widths of 8 bits and more."""
    width, mask = model.width, (1 << model.width) - 1
    final = model.final_xor
    if model.reflected:
        polynomial = reflect(model.polynomial, width)
        table = [reduce(lambda r, _: (r >> 1) ^ (polynomial if r & 1 else 0), range(8), byte) for byte in range(256)]
        start = reflect(model.initial, width)

        def compute(data: bytes) -> int:
            register = start
            for byte in data:
                register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
            return register ^ final

        return compute

    top, shift = 1 << (width - 1), width - 8
    table = [
        reduce(lambda r, _: ((r << 1) ^ (model.polynomial if r & top else 0)) & mask, range(8), byte << shift)
        for byte in range(256)
    ]

    def compute_forward(data: bytes) -> int:
        register = model.initial
        for byte in data:
            register = ((register << 8) & mask) ^ table[(register >> shift) ^ byte]
        return register ^ final

    return compute_forward


def _xor8(data: bytes) -> int:
    return reduce(xor, data, 0)


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


# The standard library's functions are some twenty times faster than a table in Python.
_FAST: dict[str, CheckFunction] = {
    "CRC-16/IBM-3740": lambda data: binascii.crc_hqx(data, 0xFFFF),
    "CRC-16/XMODEM": lambda data: binascii.crc_hqx(data, 0),
    "CRC-32/ISO-HDLC": zlib.crc32,
}


def _key(name: str) -> str:
    return "".join(character for character in name.casefold() if character.isalnum())


_PLAIN = (Check(name="xor", width=8, compute=_xor8), Check(name="sum8", width=8, compute=_sum8))
_BY_KEY: dict[str, CrcModel] = {_key(name): model for model in CRC_MODELS for name in (model.name, *model.aliases)}
CHECK_NAMES: tuple[str, ...] = (*(model.name for model in CRC_MODELS), *(check.name for check in _PLAIN))


def _known_names() -> dict[str, str]:
    names = {_key(name): name for model in CRC_MODELS for name in (model.name, *model.aliases)}
    return names | {check.name: check.name for check in _PLAIN}


@lru_cache(maxsize=64)  # one entry per name; the catalogue with its aliases has fewer
def find_check(name: str) -> Check:
    """Return the check called `name` (catalogue name, alias, `xor` or `sum8`); raise `WireError` if unknown."""
    for check in _PLAIN:
        if _key(name) == check.name:
            return check
    model = _BY_KEY.get(_key(name))
    if model is None:
        known = _known_names()
        near = difflib.get_close_matches(_key(name), known, n=1)
        raise WireError(
            f"no check is called {name!r}",
            expected=f"one of {', '.join(CHECK_NAMES)}",
            todo=f"Did you mean {known[near[0]]}?" if near else "",
        )
    return Check(name=model.name, width=model.width, compute=_FAST.get(model.name) or _table_driven(model))
