"""Line checks against the catalogue.

The numbers are those of the CRC catalogue (check and residue columns), each confirmed by four independent
implementations before it was written down here; the values of b"" and of one zero byte likewise.
"""

from __future__ import annotations

import pytest

from hil.errors import WireError
from hil.wire.checks import CHECK_NAMES, CRC_MODELS, CrcModel, crc_register, find_check, reflect

# Name, aliases, check of "123456789", residue, of nothing, of one zero byte.
CATALOGUE = [
    ("CRC-8/SMBUS", ["CRC-8"], 0xF4, 0x00, 0x00, 0x00),
    ("CRC-8/MAXIM-DOW", ["DOW", "1-Wire"], 0xA1, 0x00, 0x00, 0x00),
    ("CRC-16/ARC", ["CRC-16", "IBM"], 0xBB3D, 0x0000, 0x0000, 0x0000),
    ("CRC-16/MODBUS", ["MODBUS"], 0x4B37, 0x0000, 0xFFFF, 0x40BF),
    ("CRC-16/IBM-3740", ["CCITT-FALSE", "AUTOSAR"], 0x29B1, 0x0000, 0xFFFF, 0xE1F0),
    ("CRC-16/XMODEM", ["ZMODEM", "ACORN"], 0x31C3, 0x0000, 0x0000, 0x0000),
    ("CRC-16/KERMIT", ["CCITT-TRUE"], 0x2189, 0x0000, 0x0000, 0x0000),
    ("CRC-16/IBM-SDLC", ["X-25", "HDLC FCS-16"], 0x906E, 0xF0B8, 0x0000, 0xF078),
    ("CRC-32/ISO-HDLC", ["zlib", "Ethernet"], 0xCBF43926, 0xDEBB20E3, 0x00000000, 0xD202EF8D),
    ("CRC-32/ISCSI", ["CRC-32C"], 0xE3069283, 0xB798B438, 0x00000000, 0x527D5351),
]
# The order in which each check usually travels behind its message, from the same table.
ON_THE_WIRE = {
    "CRC-8/SMBUS": "F4",
    "CRC-8/MAXIM-DOW": "A1",
    "CRC-16/ARC": "3DBB",
    "CRC-16/MODBUS": "374B",
    "CRC-16/IBM-3740": "29B1",
    "CRC-16/XMODEM": "31C3",
    "CRC-16/KERMIT": "8921",
    "CRC-16/IBM-SDLC": "6E90",
    "CRC-32/ISO-HDLC": "2639F4CB",
    "CRC-32/ISCSI": "839206E3",
}
NINE = b"123456789"


def model_called(name: str) -> CrcModel:
    return next(model for model in CRC_MODELS if model.name == name)


@pytest.mark.parametrize(("name", "aliases", "check", "residue", "of_nothing", "of_zero"), CATALOGUE)
def test_every_crc_gives_the_values_of_the_catalogue(
    name: str, aliases: list[str], check: int, residue: int, of_nothing: int, of_zero: int
) -> None:
    compute = find_check(name).compute
    assert compute(NINE) == check
    assert compute(b"") == of_nothing
    assert compute(b"\0") == of_zero
    assert crc_register(model_called(name), NINE + bytes.fromhex(ON_THE_WIRE[name])) == residue
    for alias in aliases:
        assert find_check(alias).name == name
    model = model_called(name)
    assert (model.value_of_digits, model.residue) == (check, residue)


def test_the_catalogue_here_holds_no_other_crcs() -> None:
    assert [model.name for model in CRC_MODELS] == [row[0] for row in CATALOGUE]


@pytest.mark.parametrize("name", [row[0] for row in CATALOGUE])
def test_fast_function_and_bit_by_bit_definition_agree(name: str) -> None:
    model, check = model_called(name), find_check(name)
    for length in (0, 1, 2, 3, 31, 64):
        data = bytes((37 * i + 11 * length) % 256 for i in range(length))
        assert check.compute(data) == crc_register(model, data) ^ model.final_xor


# Sentences of NMEA 0183 receivers, as they stand in the sources of pynmea2 1.19.0; the check is the exclusive-or.
@pytest.mark.parametrize(
    ("sentence", "check"),
    [
        (b"GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000", 0x6D),
        (b"GPDTM,W84,,0.0,N,0.0,E,0.0,W84", 0x6F),
        (b"HEHDT,178.3,T", 0x22),
    ],
)
def test_exclusive_or_of_published_sentences(sentence: bytes, check: int) -> None:
    assert find_check("xor").compute(sentence) == check


def test_sum_of_an_intel_hex_record_is_zero() -> None:
    # Intel HEX: all bytes of a record with its check sum to zero; this record is from the format's manual.
    assert find_check("sum8").compute(bytes.fromhex("03012300010203D3")) == 0
    assert find_check("sum8").compute(b"\xff\x02") == 1


@pytest.mark.parametrize("name", ["crc16 ibm 3740", "Crc-16/Ibm_3740", "ccitt false", "XOR", "Sum-8"])
def test_names_are_taken_in_any_spelling(name: str) -> None:
    assert find_check(name).name in CHECK_NAMES


def test_unknown_check_is_refused_with_a_near_miss() -> None:
    with pytest.raises(WireError) as caught:
        find_check("CRC-16/IBM-3470")
    assert str(caught.value) == (
        "no check is called 'CRC-16/IBM-3470'; expected one of CRC-8/SMBUS, CRC-8/MAXIM-DOW, CRC-16/ARC, "
        "CRC-16/MODBUS, CRC-16/IBM-3740, CRC-16/XMODEM, CRC-16/KERMIT, CRC-16/IBM-SDLC, CRC-32/ISO-HDLC, "
        "CRC-32/ISCSI, xor, sum8. Did you mean CRC-16/IBM-3740?"
    )


@pytest.mark.parametrize(("name", "digits"), [("CRC-8", 2), ("CRC-16/ARC", 4), ("CRC-32C", 8), ("xor", 2)])
def test_a_check_says_how_many_digits_it_needs(name: str, digits: int) -> None:
    assert find_check(name).digits == digits


def test_reflecting_reverses_the_bits() -> None:
    assert reflect(0b1101, 4) == 0b1011
    assert reflect(0x1021, 16) == 0x8408
