"""Reads a packed schedule, written from the description of its layout alone.

Prints its events as csv: tick,event,name,value. Of a repeat without end, so many passes:

    unpack.py FILE [PASSES]
"""

import sys
import zlib

ONE = 1 << 32  # a clock counts 2^-32 ticks
WRAP = 1 << 32


class Data:
    def __init__(self, data, at):
        self.data, self.at = data, at

    def number(self, size, signed=False):
        value = int.from_bytes(self.data[self.at : self.at + size], "little", signed=signed)
        self.at += size
        return value

    def leb(self):
        value = shift = 0
        while True:
            byte = self.number(1)
            value |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return value

    def piece(self):
        length = self.leb()
        self.at += length
        return self.data[self.at - length : self.at]

    def text(self):
        return self.piece().decode()


class Ramp:
    """Intervals of a ramp, decoded as they are asked for and kept."""

    def __init__(self, data, at):
        self.source = Data(data, at)
        self.intervals = []
        self.source.leb()
        self.state = [0, 0, 0, 0]

    def interval(self, number):
        while len(self.intervals) <= number:
            self.run()
        return self.intervals[number]

    def run(self):
        source = self.source
        begin = source.at
        widths = source.number(1)
        head = source.number(1)
        count = head & 127
        if count >= 112:
            count = (count - 112) * 256 + source.number(1)
        shift = 8 if head & 128 else 0
        for j in range(4):
            change = source.number(widths >> 2 * j & 3, signed=True)
            self.state[j] = (self.state[j] + (change << shift)) % WRAP
        assert source.number(1) == source.at - begin
        for _ in range(count + 1):
            i, d1, d2, d3 = self.state
            self.intervals.append(i)
            self.state = [(i + d1) % WRAP, (d1 + d2) % WRAP, (d2 + d3) % WRAP, d3]


def motion(data, at, ramps):
    source = Data(data, at)

    def interval():
        fraction = source.number(2)
        return source.leb() * 65536 + fraction

    while part := source.number(1):
        if part == 4:
            yield interval()
        if part in (1, 4):
            start, place = source.leb(), source.leb()
            ramp = ramps.setdefault(start, Ramp(ramps["data"], start))
            for k in range(place):
                yield ramp.interval(k)
        if part in (2, 4):
            count, length = source.leb(), interval()
            for _ in range(count):
                yield length
        if part in (3, 4):
            for _ in range(source.leb() if part == 3 else place):
                place -= 1
                yield ramp.interval(place)
        if part == 4:
            return
        if part > 4:
            raise ValueError(part)


def operations(data, at, passes):
    """Operations of a stream with their gaps, repeats unrolled; behind one without end nothing."""
    source = Data(data, at)
    levels = []
    gap = 0
    while True:
        tag = source.number(1)
        if tag == 0:
            if not levels:
                return
            begin, left = levels.pop()
            if left:
                levels.append((begin, left - 1))
                source.at = begin
        elif tag == 10:
            count = source.leb()
            levels.append((source.at, (count or passes) - 1))
        elif 12 <= tag <= 16:
            gap = sum(source.number(1) << 8 * k for k in range(16 - tag, 4))
            gap += source.leb() * ONE
        else:
            value = None
            if tag in (4, 5, 7, 8):
                value = source.number(1)
            elif tag in (1, 6):
                value = source.leb()
            if tag == 8:
                source.leb()
            elif tag == 17:
                value = (source.number(1), source.number(1))
            elif tag == 19:
                value = (source.number(1), source.leb())
            yield gap, tag, value
            gap = 0


def main(path, passes="1"):
    data = open(path, "rb").read()
    assert data[:4] == b"SLW\x1a" and data[4] in (2, 3)
    assert zlib.crc32(data[:-4]) == int.from_bytes(data[-4:], "little")
    axes, outputs, inputs = data[5:8]
    source = Data(data[:-4], 16)
    for _ in range(3):
        source.leb()
    ramps = {"data": source.piece()}
    motions = source.piece()
    streams = [source.piece() for _ in range(axes + 1)]
    texts = Data(source.piece(), 0)
    assert source.at == len(source.data)
    texts.text()
    names = [[texts.text() for _ in range(count)] for count in (axes, outputs, inputs)]
    marks = []
    while texts.at < len(texts.data):
        marks.append(texts.text())

    events = []
    for number, stream in enumerate(streams):
        clock, direction = 0, 1

        def tick():
            return clock // ONE

        for gap, tag, value in operations(stream, 0, int(passes)):
            clock += gap
            if tag == 1:
                for interval in motion(motions, value, ramps):
                    clock += interval << 16
                    events.append((tick(), "step", names[0][number], direction))
            elif tag in (2, 3):
                direction = 1 if tag == 2 else -1
                events.append((tick(), "direction", names[0][number], direction))
            elif tag in (4, 5):
                events.append((tick(), "output", names[1][value], tag - 4))
            elif tag == 6:
                events.append((tick(), "mark", marks[value], ""))
            elif tag in (7, 8):
                word = ("await", "await-released", "await-pressed")[value >> 6]
                events.append((tick(), word, names[2][value & 63], ""))
            elif tag == 17:
                awaited, axis = value
                word = ("seek", "seek-released")[awaited >> 6]
                events.append((tick(), word, names[0][axis], names[2][awaited & 63]))
            elif tag == 18:
                events.append((tick(), "sought", names[0][axis], ""))
            elif tag == 19:
                axis_at, folded = value
                place = folded // 2 if folded % 2 == 0 else -(folded + 1) // 2
                events.append((tick(), "zero", names[0][axis_at], place))
    events.sort(key=lambda event: event[0])
    for event in events:
        print(*event, sep=",")


main(*sys.argv[1:])
