"""A SCPI engine on which simulated instruments are declared.

Source of the rules: IEEE 488.2 (message exchange, status, common commands) and SCPI-99.
"""

from drivers.simulated.scpi.commands import Command, Declaration, Query, setting
from drivers.simulated.scpi.engine import Engine, Identity, Misfire
from drivers.simulated.scpi.operations import Operation
from drivers.simulated.scpi.parameters import (
    Block,
    Boolean,
    ChannelList,
    Choice,
    Integer,
    Number,
    Parameter,
    Text,
)
from drivers.simulated.scpi.responses import Quoted
from drivers.simulated.scpi.scpi_errors import MESSAGES, ScpiError

__all__ = [
    "MESSAGES",
    "Block",
    "Boolean",
    "ChannelList",
    "Choice",
    "Command",
    "Declaration",
    "Engine",
    "Identity",
    "Integer",
    "Misfire",
    "Number",
    "Operation",
    "Parameter",
    "Query",
    "Quoted",
    "ScpiError",
    "Text",
    "framing",
    "parameters",
    "responses",
    "scpi_errors",
    "setting",
    "syntax",
]
