"""What the SHT chips share: words of 16 bits, each with its checksum, and the raw scales."""

from __future__ import annotations

from sensors.node.chip import ChecksumError, ImplausibleError

__all__ = ["air_c_of", "checksum", "refuse_sign_of_damage", "words_of"]

FULL_SCALE = 65_535
DAMAGED = 0x8000


def checksum(data: bytes) -> int:
    """CRC-8 of the SHT3x and SHT4x: polynomial 0x31, first value 0xFF, nothing reflected.

    Source: Sensirion, data sheet SHT3x-DIS (May 2018, version 5), table 20.
    """
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def words_of(data: bytes) -> tuple[int, ...]:
    """Return the words of an answer: two bytes, high one first, then their checksum.

    Raises
    ------
    ChecksumError
        If one does not fit; a line that is held high or low never does.
    """
    if not data or len(data) % 3:
        raise ChecksumError(f"{len(data)} bytes are no words with checksums")
    words = []
    for first in range(0, len(data), 3):
        pair, given = data[first : first + 2], data[first + 2]
        if checksum(pair) != given:
            raise ChecksumError(
                f"word {first // 3 + 1} came as {data[first : first + 3].hex(' ')}; "
                f"its checksum would be {checksum(pair):02x}"
            )
        words.append(int.from_bytes(pair, "big"))
    return tuple(words)


def air_c_of(raw: int) -> float:
    """Air temperature in °C of a raw word, 0 to 65535; same for SHT3x and SHT4x.

    Source: Sensirion, data sheet SHT3x-DIS (May 2018, version 5), section 4.13; data sheet SHT4x,
    section 4.6.
    """
    return -45.0 + 175.0 * raw / FULL_SCALE


def refuse_sign_of_damage(raw: tuple[int, ...]) -> None:
    """Raise ImplausibleError for both words at 0x8000, an element that has been damaged.

    Source: a report of users of the SHT4x, in the maker's words a sign of electrostatic
    discharge (from memory). That both words of a sound chip fall there at once is as good as
    impossible: it would be 42.5 °C to 0.003 K and 56.5 % to 0.002 %.
    """
    if raw == (DAMAGED, DAMAGED):
        raise ImplausibleError("both values stand at 0x8000: the sensing element is damaged")
