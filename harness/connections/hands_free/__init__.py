"""Connections watched while they are made: the bench looks, and goes on by itself.

All that is hands-free and nothing else stands here, but for what the station states of it
(`[hands_free]`). Others use `hands_free_exchange` alone: whether a station can do it, the caution
for the operator, and the exchange itself.

It is the one exception to RF being off while connections are changed: RF comes on by itself for
short looks at the low level that the station states, and is off between them.
"""

__all__ = [
    "hands_free_exchange",
]
