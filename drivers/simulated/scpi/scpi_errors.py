"""Error numbers and their texts, the error queue and the event status bit of an error.

Source of numbers and texts: SCPI-99 volume 2, chapter 21.8, as kept by scpi-parser.
"""

from collections import deque
from types import MappingProxyType
from typing import Final

__all__ = ["MESSAGES", "ErrorQueue", "ScpiError", "event_status_bit"]

MESSAGES: Final = MappingProxyType(
    {
        0: "No error",
        -100: "Command error",
        -101: "Invalid character",
        -102: "Syntax error",
        -103: "Invalid separator",
        -104: "Data type error",
        -105: "GET not allowed",
        -108: "Parameter not allowed",
        -109: "Missing parameter",
        -110: "Command header error",
        -111: "Header separator error",
        -112: "Program mnemonic too long",
        -113: "Undefined header",
        -114: "Header suffix out of range",
        -115: "Unexpected number of parameters",
        -120: "Numeric data error",
        -121: "Invalid character in number",
        -123: "Exponent too large",
        -124: "Too many digits",
        -128: "Numeric data not allowed",
        -130: "Suffix error",
        -131: "Invalid suffix",
        -134: "Suffix too long",
        -138: "Suffix not allowed",
        -140: "Character data error",
        -141: "Invalid character data",
        -144: "Character data too long",
        -148: "Character data not allowed",
        -150: "String data error",
        -151: "Invalid string data",
        -158: "String data not allowed",
        -160: "Block data error",
        -161: "Invalid block data",
        -168: "Block data not allowed",
        -170: "Expression error",
        -171: "Invalid expression",
        -178: "Expression data not allowed",
        -180: "Macro error",
        -181: "Invalid outside macro definition",
        -183: "Invalid inside macro definition",
        -184: "Macro parameter error",
        -200: "Execution error",
        -201: "Invalid while in local",
        -202: "Settings lost due to rtl",
        -203: "Command protected",
        -210: "Trigger error",
        -211: "Trigger ignored",
        -212: "Arm ignored",
        -213: "Init ignored",
        -214: "Trigger deadlock",
        -215: "Arm deadlock",
        -220: "Parameter error",
        -221: "Settings conflict",
        -222: "Data out of range",
        -223: "Too much data",
        -224: "Illegal parameter value",
        -225: "Out of memory",
        -226: "Lists not same length",
        -230: "Data corrupt or stale",
        -231: "Data questionable",
        -233: "Invalid version",
        -240: "Hardware error",
        -241: "Hardware missing",
        -250: "Mass storage error",
        -251: "Missing mass storage",
        -252: "Missing media",
        -253: "Corrupt media",
        -254: "Media full",
        -255: "Directory full",
        -256: "File name not found",
        -257: "File name error",
        -258: "Media protected",
        -260: "Expression error",
        -261: "Math error in expression",
        -270: "Macro error",
        -271: "Macro syntax error",
        -272: "Macro execution error",
        -273: "Illegal macro label",
        -274: "Macro parameter error",
        -275: "Macro definition too long",
        -276: "Macro recursion error",
        -277: "Macro redefinition not allowed",
        -278: "Macro header not found",
        -280: "Program error",
        -281: "Cannot create program",
        -282: "Illegal program name",
        -283: "Illegal variable name",
        -284: "Program currently running",
        -285: "Program syntax error",
        -286: "Program runtime error",
        -290: "Memory use error",
        -291: "Out of memory",
        -292: "Referenced name does not exist",
        -293: "Referenced name already exists",
        -294: "Incompatible type",
        -300: "Device specific error",
        -310: "System error",
        -311: "Memory error",
        -312: "PUD memory lost",
        -313: "Calibration memory lost",
        -314: "Save/recall memory lost",
        -315: "Configuration memory lost",
        -320: "Storage fault",
        -321: "Out of memory",
        -330: "Self-test failed",
        -340: "Calibration failed",
        -350: "Queue overflow",
        -360: "Communication error",
        -361: "Parity error in program message",
        -362: "Framing error in program message",
        -363: "Input buffer overrun",
        -365: "Time out error",
        -400: "Query error",
        -410: "Query INTERRUPTED",
        -420: "Query UNTERMINATED",
        -430: "Query DEADLOCKED",
        -440: "Query UNTERMINATED after indefinite response",
        -500: "Power on",
        -600: "User request",
        -700: "Request control",
        -800: "Operation complete",
    }
)

OVERFLOW: Final = -350
LONGEST_TEXT: Final = 255  # SCPI-99 21.8.1, from memory: the text with its detail


class ScpiError(Exception):
    """A fault that belongs into the error queue of the instrument.

    `number` is a standard number (negative) or one of the device's own (1 to 32767); `detail`
    is appended to the standard text after a semicolon.
    """

    def __init__(self, number: int, detail: str = "") -> None:
        if number not in MESSAGES and not 1 <= number <= 32767:
            raise ValueError(
                f"{number} is no SCPI error number: take one of the standard table or 1 to 32767"
            )
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    def __str__(self) -> str:
        return f"{self.number},{self.text}"

    @property
    def text(self) -> str:
        """The standard text with the detail, printable ASCII, at most 255 characters."""
        standard = MESSAGES.get(self.number, "")
        parts = [part for part in (standard, printable(self.detail)) if part]
        return ";".join(parts)[:LONGEST_TEXT]


def printable(text: str) -> str:
    """Return `text` with everything escaped that would not travel in a response."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c.isascii() and c.isprintable() else ascii(c)[1:-1] for c in text)


def event_status_bit(number: int) -> int:
    """Return the value (1 to 128) of the standard event status bit that `number` sets, or 0.

    IEEE 488.2 11.5.1 names the bits; the ranges are those of SCPI-99 21.8.
    """
    if 1 <= number <= 32767:
        return 8
    hundreds = -number // 100
    return {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}.get(hundreds, 0)


class ErrorQueue:
    """First in, first out; when it is full the newest entry gives way to -350 (SCPI-99 21.8.1)."""

    def __init__(self, depth: int = 20) -> None:
        if depth < 2:
            raise ValueError(f"error queue of depth {depth}: SCPI-99 asks for at least 2")
        self.depth = depth
        self._entries: deque[ScpiError] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, error: ScpiError) -> bool:
        """Append `error`; return whether the queue overflowed instead."""
        if len(self._entries) < self.depth:
            self._entries.append(error)
            return False
        self._entries[-1] = ScpiError(OVERFLOW)
        return True

    def pop(self) -> ScpiError:
        """Take the oldest entry, or (0, "No error")."""
        return self._entries.popleft() if self._entries else ScpiError(0)

    def clear(self) -> None:
        """Forget every entry."""
        self._entries.clear()
