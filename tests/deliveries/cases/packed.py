"""Packed files: gzip, zstd, and what is called Parquet. Valid Parquet files are built where they are tested, in Rust."""

import struct

from .parts import (EARS, FITTINGS, OUTCOMES, RESPONSES, block, frame, gzip_of_line_feeds, member, refused, rows, taken,
                    zstd_of_line_feeds)

DAMAGED = "The file is damaged or cut off"
BOMB = "holds far more than its size on disk allows"
responses = RESPONSES.encode()
outcomes = OUTCOMES.encode()


def damaged(name, why, files, line="1"):
    file = next(iter(files))
    return refused(name, why, files, f"{file} {line}", "damaged-file", DAMAGED)


taken("gz-plain", "A gzip file, for comparison.", {"responses.csv.gz": member(responses)})
taken("gz-two-members", "Two gzip members in one file are one text.",
      {"responses.csv.gz": member(responses[:70]) + member(responses[70:])})
taken("gz-empty-member-at-end", "A gzip member of nothing after the text.",
      {"responses.csv.gz": member(responses) + member(b"")})
taken("gz-bad-rows", "Lines are counted in the text, not in the packed file.",
      {"outcomes.csv.gz": member(rows("outcomes", "F1,ioi-ha,4,9,").encode())},
      aside=["outcomes.csv.gz 4 score out-of-range"], outcomes=(3, 2, 1, 0))
damaged("gz-cut-in-half", "A gzip file of which half arrived.", {"responses.csv.gz": member(responses)[:90]})
damaged("gz-cut-at-the-checksum", "A gzip file without its last byte.", {"responses.csv.gz": member(responses)[:-1]})
damaged("gz-checksum", "A gzip file whose checksum is another's.", {"responses.csv.gz": member(responses, checksum=1)})
damaged("gz-length", "A gzip file whose length is another's.", {"responses.csv.gz": member(responses, size=1)})
damaged("gz-garbage-after", "Something else after the gzip file.", {"responses.csv.gz": member(responses) + b"and more"})
damaged("gz-second-member-cut", "A second gzip member that breaks off.",
        {"responses.csv.gz": member(responses) + member(b"F1,left,final,REIG,65,2000,1,1\n")[:20]})
damaged("gz-is-text", "Text under the name of a gzip file.", {"responses.csv.gz": responses})
damaged("gz-is-zip", "A zip archive under the name of a gzip file.", {"responses.csv.gz": b"PK\x03\x04" + bytes(60)})
refused("gz-of-nothing", "A gzip file of no text.", {"responses.csv.gz": member(b"")}, "responses.csv.gz -", "empty-file", "The file is empty")
refused("gz-of-gz", "A gzip file packed twice.", {"outcomes.csv.gz": member(member(outcomes))},
        "outcomes.csv.gz 1", "not-utf8", "The text is not UTF-8 here")
refused("gz-without-ending", "A gzip file under the name of a text.", {"outcomes.csv": member(outcomes)},
        "outcomes.csv 1", "not-utf8", "The text is not UTF-8 here")
refused("gz-bomb", "25 MiB of line feeds in 25 KiB.",
        {"outcomes.csv.gz": gzip_of_line_feeds(OUTCOMES.splitlines()[0].encode(), 100_000)},
        "outcomes.csv.gz -", "out-of-proportion", BOMB)
taken("zst-plain", "A zstd file of one raw block, for comparison.", {"responses.csv.zst": frame(responses)})
taken("zst-two-frames", "Two zstd frames in one file are one text.",
      {"responses.csv.zst": frame(responses[:70]) + frame(responses[70:])})
taken("zst-skippable-frame", "A frame to be skipped before the text.",
      {"responses.csv.zst": b"\x50\x2a\x4d\x18" + struct.pack("<I", 4) + b"note" + frame(responses)})
damaged("zst-cut", "A zstd file that breaks off.", {"responses.csv.zst": frame(responses)[:-5]})
damaged("zst-other-magic", "A file that does not begin like zstd.", {"responses.csv.zst": b"\x00" + frame(responses)[1:]})
damaged("zst-reserved-block", "A block of a kind that is not defined.",
        {"responses.csv.zst": frame(responses, blocks=block(responses, last=True, kind=3))})
damaged("zst-checksum", "A checksum that is another's.", {"responses.csv.zst": frame(responses, descriptor=0xA4) + b"abcd"})
damaged("zst-window", "A window of 2 TiB.",
        {"responses.csv.zst": b"\x28\xb5\x2f\xfd\x00\xf8" + block(responses, last=True)})
damaged("zst-garbage-after", "Something else after the zstd frame.", {"responses.csv.zst": frame(responses) + b"and more"})
refused("zst-without-ending", "A zstd file under the name of a text.", {"outcomes.csv": frame(outcomes)},
        "outcomes.csv 1", "not-utf8", "The text is not UTF-8 here")
refused("zst-bomb", "20 MiB of line feeds in less than 1 KiB.",
        {"outcomes.csv.zst": zstd_of_line_feeds(OUTCOMES.encode(), 160)},
        "outcomes.csv.zst -", "out-of-proportion", BOMB)
for name, why, content in (
    ("parquet-letters-only", "The four letters and nothing else.", b"PAR1"),
    ("parquet-twice-the-letters", "The letters at both ends and no footer.", b"PAR1PAR1"),
    ("parquet-empty-footer", "A footer of no bytes.", b"PAR1" + struct.pack("<I", 0) + b"PAR1"),
    ("parquet-footer-longer-than-file", "A footer that says it is longer than the file.", b"PAR1" + struct.pack("<I", 1 << 30) + b"PAR1"),
    ("parquet-footer-garbage", "A footer of random bytes.", b"PAR1" + bytes(range(7, 71)) + struct.pack("<I", 64) + b"PAR1"),
    ("parquet-footer-endless-list", "A footer whose schema says it has two billion columns.",
     b"PAR1" + b"\x15\x02\x29\xfc\xff\xff\xff\xff\x07" + struct.pack("<I", 9) + b"PAR1"),
    ("parquet-encrypted", "An encrypted footer.", b"PARE" + bytes(32) + struct.pack("<I", 32) + b"PARE"),
    ("parquet-is-text", "Text under the name of Parquet.", FITTINGS.encode()),
    ("parquet-cut", "The end is missing.", b"PAR1" + bytes(100)),
):
    refused(name, why, {"fittings.parquet": content}, "fittings.parquet -", "damaged-file", DAMAGED)
refused("parquet-without-ending", "Parquet under the name of a text.", {"ears.csv": b"PAR1\x15\x04\x15\x10\x15\x14\xff\xfe" + EARS.encode()},
        "ears.csv 1", "not-utf8", "The text is not UTF-8 here")
taken("packings-mixed", "The same rows plain and packed: the second file says everything again.",
      {"ears.csv": EARS, "ears-2.csv.gz": member(EARS.encode()), "ears-3.csv.zst": frame(EARS.encode())},
      ears=(6, 2, 0, 4))
