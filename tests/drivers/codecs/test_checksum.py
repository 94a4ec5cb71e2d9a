from __future__ import annotations

from drivers.codecs.checksum import crc16_modbus, sum8, xor8


def test_crc16_matches_the_frame_printed_in_modbus_over_serial_line_v1_02() -> None:
    # 6.2.2 and its appendix B: the frame 02 07 has the register 0x1241 (sent 41 12).
    assert crc16_modbus(bytes([0x02, 0x07])) == "1241"


def test_crc16_matches_the_check_string_of_crc_catalogues() -> None:
    # From memory: every catalogue of CRCs gives 0x4B37 for CRC-16/MODBUS of "123456789".
    assert crc16_modbus(b"123456789") == "4B37"


def test_exclusive_or_matches_a_sentence_worked_by_hand() -> None:
    # 0x41 ^ 0x42 ^ 0x43 = 0x40
    assert xor8(b"ABC") == "40"
    assert xor8(b"") == "00"


def test_sum_wraps_at_one_byte() -> None:
    assert sum8(b"ABC") == "C6"
    assert sum8(b"\xff\x02") == "01"
