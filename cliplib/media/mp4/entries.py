"""Sample descriptions: how an MP4 says that its pictures are H.264 and its sound is AAC.

Layouts are those of ISO/IEC 14496-15 (AVC in MP4: `avcC`), 14496-14 (`esds`) and 14496-12 (`stsd`, `pasp`,
`colr`); parameter sets those of ITU-T H.264, section 7.3.2. Pure functions over bytes.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from fractions import Fraction

from cliplib.core.errors import FootageError

_NAL_SPS, _NAL_PPS = 7, 8
_VISUAL_HEADER = 86  # bytes of a visual sample entry before the boxes in it
PROFILES = {66: "baseline", 77: "main", 100: "high"}
"""Those that an encoder can go on in, by their number (ITU-T H.264, annex A)."""
_HIGH_PROFILES = (100, 110, 122, 144)


@dataclass(frozen=True, slots=True)
class AvcConfig:
    """What `avcC` holds. `length_size`: bytes of the length before each NAL unit of a sample. `rest`: the
    fields after the parameter sets, which only high profiles have, verbatim.
    """

    profile: int
    compatibility: int
    level: int
    length_size: int
    sps: tuple[bytes, ...]
    pps: tuple[bytes, ...]
    rest: bytes = b""

    def pack(self) -> bytes:
        head = bytes([1, self.profile, self.compatibility, self.level, 0xFC | self.length_size - 1])
        sets = bytes([0xE0 | len(self.sps)]) + b"".join(struct.pack(">H", len(s)) + s for s in self.sps)
        sets += bytes([len(self.pps)]) + b"".join(struct.pack(">H", len(p)) + p for p in self.pps)
        return head + sets + self.rest

    @classmethod
    def unpack(cls, data: bytes) -> AvcConfig:
        """Raises FootageError when the bytes end early or make no sense."""
        try:
            if data[0] != 1:
                raise FootageError("its H.264 set-up is of an unknown version")
            at, sets = 5, []
            for mask in (0x1F, 0xFF):
                count, at, units = data[at] & mask, at + 1, []
                for _ in range(count):
                    length = int.from_bytes(data[at : at + 2])
                    unit = data[at + 2 : at + 2 + length]
                    if len(unit) != length or not length:
                        raise FootageError("its H.264 set-up is cut short")
                    units.append(unit)
                    at += 2 + length
                sets.append(tuple(units))
            return cls(data[1], data[2], data[3], (data[4] & 3) + 1, sets[0], sets[1], data[at:])
        except IndexError:
            raise FootageError("its H.264 set-up is cut short") from None

    def joined(self, other: AvcConfig) -> AvcConfig:
        """Both parameter sets in one, for a stream that changes between them; the higher level is claimed."""
        return replace(
            self, level=max(self.level, other.level), sps=self.sps + other.sps, pps=self.pps + other.pps
        )

    def free_number(self) -> int:
        """A parameter set number (both kinds) that nothing here uses."""
        taken = {exp_golomb(s[4:]) for s in self.sps} | {exp_golomb(p[1:]) for p in self.pps}
        taken |= {exp_golomb(p[1:], skip=1) for p in self.pps}
        free = [number for number in range(5, 32) if number not in taken]
        if not free:
            raise FootageError("its H.264 set-up leaves no number free")
        return free[0]


def annex_b_units(data: bytes) -> list[bytes]:
    """The NAL units of a byte stream (H.264, annex B), without start codes and trailing zeros."""
    return [unit for piece in data.split(b"\0\0\1")[1:] if (unit := piece.rstrip(b"\0"))]


def with_lengths(data: bytes, length_size: int) -> bytes:
    """A picture of a byte stream as an MP4 sample: lengths in place of start codes, no parameter sets."""
    units = [unit for unit in annex_b_units(data) if unit[0] & 0x1F not in (_NAL_SPS, _NAL_PPS)]
    return b"".join(len(unit).to_bytes(length_size) + unit for unit in units)


def config_of(extradata: bytes, length_size: int) -> AvcConfig:
    """From the parameter sets of a byte stream, as an encoder gives them."""
    units = annex_b_units(extradata)
    sps = tuple(unit for unit in units if unit[0] & 0x1F == _NAL_SPS)
    pps = tuple(unit for unit in units if unit[0] & 0x1F == _NAL_PPS)
    profile, compatibility, level = sps[0][1:4]
    # Chroma 4:2:0, eight bits, which is all that is encoded here.
    rest = bytes([0xFD, 0xF8, 0xF8, 0]) if profile in _HIGH_PROFILES else b""
    return AvcConfig(profile, compatibility, level, length_size, sps, pps, rest)


def exp_golomb(data: bytes, skip: int = 0) -> int:
    """The unsigned Exp-Golomb number (H.264, section 9.1) at the start of `data`, after `skip` others."""
    bits = "".join(f"{byte:08b}" for byte in data[:16].replace(b"\0\0\3", b"\0\0"))
    at = value = 0
    for _ in range(skip + 1):
        zeros = len(bits[at:]) - len(bits[at:].lstrip("0"))
        word = bits[at + zeros : at + 2 * zeros + 1]
        if len(word) != zeros + 1:
            raise FootageError("its H.264 set-up is damaged")
        value, at = int(word, 2) - 1, at + 2 * zeros + 1
    return value


def avc_config(stsd: bytes) -> AvcConfig:
    """Of a track with one `avc1` entry; FootageError for any other."""
    start, end = _avcc(stsd)
    return AvcConfig.unpack(stsd[start + 8 : end])


def with_avc_config(stsd: bytes, config: AvcConfig) -> bytes:
    """The same sample description, everything else in it verbatim, with another `avcC`."""
    start, end = _avcc(stsd)
    box = _box(b"avcC", config.pack())
    entry = stsd[16:start] + box + stsd[end:]
    entry = struct.pack(">I", len(entry)) + entry[4:]
    return _box(b"stsd", stsd[8:16] + entry)


def _avcc(stsd: bytes) -> tuple[int, int]:
    if stsd[12:16] != b"\0\0\0\1" or stsd[20:24] != b"avc1":
        raise FootageError("its pictures are not described once, as H.264 with its set-up in the index")
    end = 16 + int.from_bytes(stsd[16:20])
    at = 16 + _VISUAL_HEADER
    while at + 8 <= min(end, len(stsd)):
        length = int.from_bytes(stsd[at : at + 4])
        if length < 8 or at + length > end:
            break
        if stsd[at + 4 : at + 8] == b"avcC":
            return at, at + length
        at += length
    raise FootageError("its H.264 set-up is missing")


def avc_description(config: AvcConfig, width: int, height: int, aspect: Fraction = Fraction(1)) -> bytes:
    """An `stsd` for H.264 in BT.709 video range."""
    entry = bytes(6) + struct.pack(">H16xHH", 1, width, height)
    entry += struct.pack(">IIIH32xHh", 0x480000, 0x480000, 0, 1, 24, -1)
    entry += _box(b"avcC", config.pack())
    entry += _box(b"colr", struct.pack(">4sHHHB", b"nclx", 1, 1, 1, 0))
    entry += _box(b"pasp", struct.pack(">II", aspect.numerator, aspect.denominator))
    return _box(b"stsd", struct.pack(">II", 0, 1) + _box(b"avc1", entry))


def aac_description(specific: bytes, channels: int, rate: int) -> bytes:
    """An `stsd` for AAC. `specific`: AudioSpecificConfig (ISO/IEC 14496-3), as an encoder gives it."""

    def descriptor(tag: int, body: bytes) -> bytes:
        return bytes([tag, len(body)]) + body

    decoder = struct.pack(">BB3xII", 0x40, 0x15, 0, 0) + descriptor(5, specific)
    stream = struct.pack(">HB", 1, 0) + descriptor(4, decoder) + descriptor(6, b"\2")
    entry = bytes(6) + struct.pack(">H8xHH4xI", 1, channels, 16, rate << 16)
    entry += _box(b"esds", bytes(4) + descriptor(3, stream))
    return _box(b"stsd", struct.pack(">II", 0, 1) + _box(b"mp4a", entry))


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", len(body) + 8, kind) + body
