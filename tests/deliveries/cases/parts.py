"""What the cases are made of: a small practice that breaks no rule, packings written byte by byte, and a list of cases.

Everything is invented. Packings are written here instead of by a library, so that the bytes depend on no version of it.
"""

import struct
import zlib

FITTINGS = """\
fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,experience,prescription,medical_referral,returned,x_region
F1,P1,north,anna-1,2026-08,71,new,NAL-R,none,false,coast
"""
EARS = """\
fitting_id,ear,fitted,threshold_500,threshold_1000,coupling,style
F1,left,true,25,35,open,behind
F1,right,true,25,>110,vented,behind
"""
RESPONSES = """\
fitting_id,ear,stage,quantity,input_level_db,frequency_hz,target_db,measured_db
F1,left,final,REIG,65,500,15,14
F1,left,final,REIG,65,1000,20,18
"""
OUTCOMES = """\
fitting_id,instrument,item,score,weeks_after
F1,ioi-ha,4,5,26
F1,use-log,hours_per_day,7.5,6
"""
TABLES = ("fittings", "ears", "responses", "outcomes")
SMALL = {
    "fittings.csv": FITTINGS,
    "ears.csv": EARS,
    "responses.csv": RESPONSES,
    "outcomes.csv": OUTCOMES,
}
ACCOUNTS = {"fittings": (1, 1, 0, 0), "ears": (2, 2, 0, 0), "responses": (2, 2, 0, 0), "outcomes": (2, 2, 0, 0)}


class Case:
    """A broken delivery and what has to be said about it."""

    def __init__(self, why, files):
        self.why = why
        self.files = files
        self.exit = 0
        self.accounts = dict(ACCOUNTS)
        self.aside = []
        self.refusal = None
        self.notes = []
        self.not_read = []
        self.says = []
        self.never = []

    def expected(self):
        """The text of expected.txt; tests/deliveries/README.md says what its lines mean."""
        lines = [f"# {self.why}", f"exit {self.exit}"]
        if self.refusal:
            lines.append("refused " + " ".join(self.refusal))
        else:
            for table in TABLES:
                lines.append(f"account {table} " + " ".join(map(str, self.accounts[table])))
        lines += [f"aside {' '.join(row)}" for row in self.aside]
        lines += [f"note {rule} {about}" for rule, about in self.notes]
        lines += [f"not-read {name}" for name in self.not_read]
        lines += [f"says {text}" for text in self.says]
        lines += [f"never {text}" for text in self.never]
        return "\n".join(lines) + "\n"


CASES = {}


def _case(name, why, files):
    if name in CASES:
        raise ValueError(f"two cases are called {name}")
    # A file of a table takes the place of the small practice's; None takes the table away.
    given = {path.split("/")[0] for path in files}
    tables = {path.split(".")[0].split("-")[0] for path in given if "-" not in path.split(".")[0]}
    base = {path: text for path, text in SMALL.items() if path.split(".")[0] not in tables}
    files = {path: content for path, content in {**base, **files}.items() if content is not None}
    CASES[name] = case = Case(why, files)
    return case


def refused(name, why, files, place, rule, says, never=()):
    """A delivery that is refused whole. `place` is file and line, `-` where no line can be named."""
    case = _case(name, why, files)
    case.exit = 65
    case.refusal = (*place.split(), rule)
    case.says = [says]
    case.never = list(never)
    return case


def taken(name, why, files, aside=(), never=(), says=(), notes=(), not_read=(), **accounts):
    """A delivery that is taken: rows set aside as `file line column rule`, accounts as read, stored, aside, repeats."""
    case = _case(name, why, files)
    case.aside = [row.split() for row in aside]
    case.accounts.update(accounts)
    case.says = list(says)
    case.never = list(never)
    case.notes = list(notes)
    case.not_read = list(not_read)
    return case


def rows(table, *bad):
    """The small practice's table with rows added; its own rows end on line 2 (fittings) or 3 (the others)."""
    return SMALL[f"{table}.csv"] + "".join(row + "\n" for row in bad)


def member(text, checksum=None, size=None):
    """A gzip member (RFC 1952) of stored blocks (RFC 1951): no compressor, hence the same bytes everywhere."""
    out = bytearray(b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff")
    parts = [text[at : at + 65535] for at in range(0, len(text), 65535)] or [b""]
    for number, part in enumerate(parts):
        out.append(1 if number == len(parts) - 1 else 0)
        out += struct.pack("<HH", len(part), len(part) ^ 0xFFFF) + part
    out += struct.pack("<I", zlib.crc32(text) if checksum is None else checksum)
    return bytes(out + struct.pack("<I", len(text) if size is None else size))


def gzip_of_line_feeds(header, count):
    """A header row and `count` x 258 + 1 line feeds, two bits each 258 of them (RFC 1951, dynamic codes)."""
    bits = []

    def put(value, width):
        bits.extend((value >> at) & 1 for at in range(width))

    def code(text):
        bits.extend(int(bit) for bit in text)

    put(1, 1)  # the last block
    put(2, 2)  # dynamic codes
    put(29, 5)  # 286 literal and length codes
    put(0, 5)  # 1 distance code
    put(14, 4)  # 18 lengths of the code of lengths
    for symbol in (16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1):
        put(2 if symbol in (1, 2, 17, 18) else 0, 3)
    one, two, few, many = "00", "01", "10", "11"
    code(few), put(10 - 3, 3), code(two)  # 0-9 unused, 10 the line feed
    code(many), put(138 - 11, 7), code(many), put(107 - 11, 7), code(two)  # 11-255 unused, 256 the end
    code(many), put(28 - 11, 7), code(one)  # 257-284 unused, 285 a run of 258
    code(one)  # distance 1
    code("10")  # a line feed
    bits.extend([0, 0] * count)
    code("11")
    bits.extend([0] * (-len(bits) % 8))
    packed = bytes(sum(bit << at for at, bit in enumerate(bits[n : n + 8])) for n in range(0, len(bits), 8))
    text_size = len(header) + 1 + 258 * count
    checksum = zlib.crc32(header + b"\n")
    for _ in range(count):
        checksum = zlib.crc32(b"\n" * 258, checksum)
    stored = b"\x00" + struct.pack("<HH", len(header), len(header) ^ 0xFFFF) + header
    head = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
    return head + stored + packed + struct.pack("<II", checksum, text_size)


def frame(text, descriptor=0xA0, blocks=None):
    """A zstd frame (RFC 8878) of one raw block: single segment, its size in four bytes."""
    if blocks is None:
        blocks = block(text, last=True)
    return b"\x28\xb5\x2f\xfd" + bytes([descriptor]) + struct.pack("<I", len(text)) + blocks


def block(text, last, kind=0, size=None):
    """A block of a zstd frame: kind 0 raw, 1 one byte repeated `size` times, 3 reserved."""
    size = len(text) if size is None else size
    return struct.pack("<I", size << 3 | kind << 1 | last)[:3] + text


def zstd_of_line_feeds(header, count):
    """A frame of a header row and `count` blocks of 128 KiB of line feeds, four bytes each."""
    blocks = block(header, last=False)
    for number in range(count):
        blocks += block(b"\n", last=number == count - 1, kind=1, size=128 << 10)
    # No single segment and no size: a window of 8 MiB.
    return b"\x28\xb5\x2f\xfd" + bytes([0x00, 0x68]) + blocks
