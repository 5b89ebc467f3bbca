"""Status reporting: the registers of IEEE 488.2 chapter 11 and SCPI-99 volume 1 chapter 9."""

from typing import Final

from drivers.simulated.scpi.scpi_errors import ErrorQueue, ScpiError, event_status_bit

__all__ = ["Status", "StatusRegister"]

ALL: Final = 0x7FFF  # bit 15 is never used (SCPI-99 volume 1, 9.1, from memory)
OPERATION_COMPLETE: Final = 1
POWER_ON: Final = 128
ERROR_AVAILABLE: Final = 4
QUESTIONABLE: Final = 8
MESSAGE_AVAILABLE: Final = 16
EVENT_STATUS: Final = 32
MASTER_SUMMARY: Final = 64
OPERATION: Final = 128
SWEEPING: Final = 3  # bits of STATus:OPERation (SCPI-99 volume 1, 9.3, from memory)
MEASURING: Final = 4


class StatusRegister:
    """Condition, transition filters, event and enable register of one SCPI status group."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0
        self.positive = ALL
        self.negative = 0

    def set_bit(self, bit: int, is_set: bool = True) -> None:
        """Change condition bit `bit` (0 to 14); the filters say whether that is an event."""
        if not 0 <= bit <= 14:
            raise ValueError(f"status bit {bit}: bits 0 to 14 exist")
        mask = 1 << bit
        if bool(self.condition & mask) == is_set:
            return
        self.condition ^= mask
        self.event |= mask & (self.positive if is_set else self.negative)

    def read_event(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """Take the state of STATus:PRESet (SCPI-99 volume 2, 20.7)."""
        self.enable, self.positive, self.negative = 0, ALL, 0

    @property
    def summary(self) -> bool:
        """Whether an enabled event has happened."""
        return bool(self.event & self.enable)


class Status:
    """All that an instrument reports on itself, as it is after power on."""

    def __init__(self) -> None:
        self.errors = ErrorQueue()
        self.operation = StatusRegister()
        self.questionable = StatusRegister()
        self.event_status = POWER_ON
        self.event_enable = 0
        self.service_enable = 0

    def post(self, error: ScpiError) -> None:
        """Queue `error` and set the event status bits for it."""
        self.event_status |= event_status_bit(error.number)
        if self.errors.push(error):
            self.event_status |= event_status_bit(-350)

    def read_event_status(self) -> int:
        """Return the standard event status register and clear it (*ESR?)."""
        value, self.event_status = self.event_status, 0
        return value

    def enable_events(self, mask: int) -> None:
        """Set the standard event status enable register (*ESE)."""
        self.event_enable = mask

    def enable_service(self, mask: int) -> None:
        """Set the service request enable register; bit 6 cannot be set (IEEE 488.2 11.3.2)."""
        self.service_enable = mask & ~MASTER_SUMMARY

    def clear(self) -> None:
        """Clear every event register and the error queue (*CLS)."""
        self.errors.clear()
        self.operation.event = self.questionable.event = self.event_status = 0

    def power_on(self) -> None:
        """Take the state after power on, in which only the power-on bit is set."""
        self.clear()
        self.operation.condition = self.questionable.condition = 0
        self.operation.preset()
        self.questionable.preset()
        self.event_enable = self.service_enable = 0
        self.event_status = POWER_ON

    def byte(self, message_available: bool) -> int:
        """Return the status byte with the master summary in bit 6 (*STB?)."""
        value = (
            ERROR_AVAILABLE * bool(self.errors)
            | QUESTIONABLE * self.questionable.summary
            | MESSAGE_AVAILABLE * message_available
            | EVENT_STATUS * bool(self.event_status & self.event_enable)
            | OPERATION * self.operation.summary
        )
        return value | MASTER_SUMMARY * bool(value & self.service_enable)
