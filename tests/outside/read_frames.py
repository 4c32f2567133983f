"""Reads what goes over a serial line with decoders from outside: frames from standard
input, their payloads in hexadecimal to standard output. Takes the stuffing off with the
package cobs and holds the checksum against crc_hqx of Python's own binascii (x^16 + x^12
+ x^5 + 1, here from FFFF)."""

import binascii
import sys

from cobs import cobs

for frame in sys.stdin.buffer.read().split(b"\0"):
    if frame:
        whole = cobs.decode(frame)
        payload, checksum = whole[:-2], int.from_bytes(whole[-2:], "big")
        assert binascii.crc_hqx(payload, 0xFFFF) == checksum, frame.hex()
        print(payload.hex())
