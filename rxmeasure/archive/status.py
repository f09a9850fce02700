"""Numbers of the protocol in words."""

from __future__ import annotations

#: PS3.4 B.2.3, C.4.1.1.4, C.4.2.1.5, C.4.3.1.4 and PS3.7 annex C.
_STATUS = {
    0x0110: "it could not process this",
    0x0111: "it has this object already",
    0x0112: "it does not know this object",
    0x0117: "it does not take this identifier",
    0x0122: "it does not know this kind of object",
    0x0124: "we are not allowed to do this",
    0xA700: "it is out of resources",
    0xA701: "it is out of resources and cannot count the objects",
    0xA702: "it is out of resources and cannot hand out the objects",
    0xA801: "it does not know the computer that the films shall go to",
    0xA900: "the data do not fit the kind of object",
    0xB000: "it changed some elements, or could not do all",
    0xB006: "it left out some elements",
    0xB007: "the data do not quite fit the kind of object",
    0xFE00: "it stopped the search",
}
#: The rest of a group, by its first digit or two.
_GROUPS = (
    (0xA700, 0xA7FF, "it is out of resources"),
    (0xA900, 0xA9FF, "the data do not fit the kind of object"),
    (0xC000, 0xCFFF, "it cannot understand or process this"),
)
#: PS3.8 table 9-21: (source, reason).
_REFUSALS = {
    (1, 2): "it does not speak this protocol",
    (1, 3): "it does not know our AE title",
    (1, 7): "it has another AE title",
    (2, 2): "it speaks another version of the protocol",
    (3, 1): "it is busy",
    (3, 2): "it has too many connections",
}
_TRANSIENT = 2


def status_words(code: int) -> str:
    """A status in words, with its number."""
    words = _STATUS.get(code) or next(
        (text for low, high, text in _GROUPS if low <= code <= high), "it does not say why"
    )
    return f"{words} (status {code:04X})."


def refusal_words(result: int, source: int, reason: int) -> tuple[str, bool]:
    """Why a connection was refused, and whether it may be different a moment later."""
    return _REFUSALS.get((source, reason), "it does not say why"), result == _TRANSIENT
