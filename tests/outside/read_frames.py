"""Reads what goes over a serial line with decoders from outside: frames from standard
input, their payloads in hexadecimal to standard output. Takes the stuffing off with the
package cobs and holds the checksum against crc32 of Python's own zlib."""

import sys
import zlib

from cobs import cobs

for frame in sys.stdin.buffer.read().split(b"\0"):
    if frame:
        whole = cobs.decode(frame)
        payload, checksum = whole[:-4], int.from_bytes(whole[-4:], "little")
        assert zlib.crc32(payload) == checksum, frame.hex()
        print(payload.hex())
