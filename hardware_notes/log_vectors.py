"""Known answers of the log (`wire_format.md` §8): ``python log_vectors.py > log_vectors.txt``.

Standard library only, by the tables of the page alone. All values are invented.
"""

import struct
import zlib

HEAD = """\
# Known-answer vectors of the log, version 1: hardware_notes/wire_format.md, section 8.
# Printed by log_vectors.py; all values are invented. A block with `error` must be refused.
"""
U16, PACKED12 = 0, 1


def frames_of(rows: list[list[int]], sample_format: int) -> bytes:
    """Return rows of counts as the bytes of frames (§3)."""
    out = b""
    for row in rows:
        if sample_format == U16:
            out += struct.pack(f"<{len(row)}H", *row)
            continue
        bits = sum(count << 12 * k for k, count in enumerate(row))
        out += bits.to_bytes((3 * len(row) + 1) // 2, "little")
    return out


def page(
    rows: list[list[int]],
    foot: int = 0,
    sample_format: int = PACKED12,
    flags: int = 0,
    number: int = 0,
    boot: int = 1,
    clock: int = 0,
    sample: int = 0,
    period: int = 10000,
) -> bytes:
    """Return a log page."""
    head = struct.pack(
        "<BBBBIHHIIHBB",
        *(1, 0x30, foot | sample_format << 1, flags, number, boot),
        *(clock >> 32, clock & 0xFFFFFFFF, sample, period, len(rows[0]), len(rows)),
    )
    return with_crc(head, frames_of(rows, sample_format))


def with_crc(head: bytes, frames: bytes) -> bytes:
    """Return 24 bytes and frames with their CRC between."""
    return head + struct.pack("<I", zlib.crc32(head + frames)) + frames


def page_block(
    name: str,
    rows: list[list[int]],
    foot: str = "left",
    sample_format: str = "packed12",
    flags: str = "",
    number: int = 0,
    boot: int = 1,
    clock: int = 0,
    sample: int = 0,
    period: int = 10000,
) -> dict[str, object]:
    """Return a page's bytes and fields as they are listed; `flags` are the first letters of its."""
    first, dropped, last = (int(letter in flags) for letter in "fdl")
    of_insole = (("left", "right").index(foot), ("u16", "packed12").index(sample_format))
    data = page(
        *(rows, *of_insole, first | dropped << 1 | last << 2, number, boot, clock, sample, period)
    )
    return {
        "name": name,
        "kind": "log_page",
        "hex": data,
        "foot": foot,
        "sample_format": sample_format,
        "first": first,
        "dropped": dropped,
        "last": last,
        "page": number,
        "boot": boot,
        "clock": clock,
        "sample": sample,
        "period_us": period,
        "zones": len(rows[0]),
        "frames": len(rows),
        "counts": " / ".join(" ".join(map(str, row)) for row in rows),
    }


def blocks() -> list[dict[str, object]]:
    """Return all vectors."""
    eight = [[(97 * k + 131 * z) % 4096 for z in range(18)] for k in range(8)]
    six = [[(4097 * k + 3641 * z) % 65536 for z in range(18)] for k in range(6)]
    odd = [[1, 2, 0xABC], [4095, 0, 4095]]
    wrapped, most = (305419896, 513, 0x2_0102_0304, 859163, 5000), 2**32 - 1
    good = [
        page_block("page_full_packed12", eight, flags="f"),
        page_block("page_full_u16_after_a_wrap", six, "right", "u16", "", *wrapped),
        page_block(
            *("page_part_filled_odd_zones", odd, "left", "packed12", "dl"),
            *(most, 65535, 2**48 - 1, most, 65535),
        ),
    ]
    whole = page(odd)
    head, frames = bytearray(whole[:24]), whole[28:]

    def spoilt(name: str, error: str, data: bytes) -> dict[str, object]:
        return {"name": name, "kind": "log_page", "hex": data, "error": error}

    def with_byte(at: int, value: int) -> bytes:
        changed = bytearray(head)
        changed[at] = value
        return with_crc(bytes(changed), frames)

    good += [
        spoilt("page_erased", "oversized", b"\xff" * 256),
        spoilt("page_of_ff", "version", b"\xff" * 244),
        spoilt("page_version_2", "version", with_byte(0, 2)),
        spoilt("page_of_another_kind", "kind", with_byte(1, 1)),
        spoilt("page_short_head", "truncated", whole[:27]),
        spoilt("page_one_byte", "truncated", whole[:1]),
        spoilt("page_reserved_flag", "reserved", with_byte(3, 8)),
        spoilt("page_reserved_format", "reserved", with_byte(2, 8)),
        spoilt("page_sample_format_2", "sample_format", with_byte(2, 4)),
        spoilt("page_period_999", "period", with_byte(20, 0xE7)[:21] + b"\x03" + whole[22:]),
        spoilt("page_no_zones", "zones", with_byte(22, 0)),
        spoilt("page_65_zones", "zones", with_byte(22, 65)),
        spoilt("page_no_frames", "frames", with_byte(23, 0)),
        spoilt("page_boot_0", "value", with_byte(8, 0)),
        spoilt("page_cut", "truncated", whole[:-1]),
        spoilt("page_too_long", "excess", whole + b"\0"),
        spoilt("page_crc_of_another", "crc", whole[:24] + b"\1\2\3\4" + whole[28:]),
        spoilt("page_torn", "crc", whole[:-3] + b"\xff\xff\xff"),
        {
            "name": "state_logging",
            "kind": "log_state",
            "hex": struct.pack("<BBHIHHIII", 1, 1, 3, 16909060, 1, 0, 1000, 33000, 32768),
            "logging": 1,
            "boot": 3,
            "clock": (1 << 32) + 16909060,
            "oldest": 1000,
            "next": 33000,
            "pages": 32768,
        },
        {
            "name": "state_empty",
            "kind": "log_state",
            "hex": struct.pack("<BBHIHHIII", 1, 0, 1, 0, 0, 0, 0, 0, 32768),
            "logging": 0,
            "boot": 1,
            "clock": 0,
            "oldest": 0,
            "next": 0,
            "pages": 32768,
        },
    ]
    for name, error, fields in (
        ("state_version_2", "version", (2, 1, 3, 0, 0, 0, 0, 0, 32768)),
        ("state_reserved_bit", "reserved", (1, 2, 3, 0, 0, 0, 0, 0, 32768)),
        ("state_reserved_field", "reserved", (1, 1, 3, 0, 0, 1, 0, 0, 32768)),
        ("state_boot_0", "value", (1, 1, 0, 0, 0, 0, 0, 0, 32768)),
        ("state_no_pages", "value", (1, 1, 3, 0, 0, 0, 0, 0, 0)),
        ("state_more_than_it_holds", "value", (1, 1, 3, 0, 0, 0, 0, 32769, 32768)),
    ):
        data = struct.pack("<BBHIHHIII", *fields)
        good.append({"name": name, "kind": "log_state", "hex": data, "error": error})
    state = struct.pack("<BBHIHHIII", 1, 0, 1, 0, 0, 0, 0, 0, 32768)
    request = struct.pack("<BBBBHHIHIH", 1, 0x38, 7, 0, 3, 0, 4000000000, 1, 5000000, 500)
    end = struct.pack("<BBBBIHH", 1, 0x31, 7, 0, 374, 2, 0)
    good += [
        {"name": "state_short", "kind": "log_state", "hex": state[:-1], "error": "truncated"},
        {"name": "state_long", "kind": "log_state", "hex": state + b"\0", "error": "excess"},
        {
            "name": "request_over_a_wrap",
            "kind": "log_request",
            "hex": request,
            "token": 7,
            "boot": 3,
            "from": 4000000000,
            "to": (1 << 32) + 5000000,
            "pages": 500,
        },
        {"name": "request_short", "kind": "log_request", "hex": request[:-1], "error": "truncated"},
        {"name": "request_long", "kind": "log_request", "hex": request + b"\0", "error": "excess"},
        {
            "name": "request_reserved",
            "kind": "log_request",
            "hex": request[:3] + b"\1" + request[4:],
            "error": "reserved",
        },
        {
            "name": "request_of_another_kind",
            "kind": "log_request",
            "hex": request[:1] + b"\x39" + request[2:],
            "error": "kind",
        },
        {
            "name": "end_done",
            "kind": "log_end",
            "hex": end,
            "token": 7,
            "status": 0,
            "sent": 374,
            "torn": 2,
        },
        {
            "name": "end_status_4",
            "kind": "log_end",
            "hex": end[:3] + b"\4" + end[4:],
            "error": "value",
        },
        {
            "name": "end_reserved",
            "kind": "log_end",
            "hex": end[:-1] + b"\1",
            "error": "reserved",
        },
        {"name": "end_short", "kind": "log_end", "hex": end[:-1], "error": "truncated"},
        {"name": "end_long", "kind": "log_end", "hex": end + b"\0", "error": "excess"},
    ]
    return good


def text() -> str:
    """Return the file."""
    lines = [HEAD]
    for block in blocks():
        for name, value in block.items():
            shown = value.hex(" ") if isinstance(value, bytes) else value
            lines.append(f"{name} = {shown}\n")
        lines.append("\n")
    return lines[0] + "\n" + "".join(lines[1:]).rstrip("\n") + "\n"


if __name__ == "__main__":
    print(text(), end="")
