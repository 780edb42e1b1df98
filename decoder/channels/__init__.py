"""Channels: what the frames of a capture say, by name.

`decode` joins a capture with a signal map; `Channels` is the result.
"""

from decoder.channels.decoding import decode
from decoder.channels.series import Channel, Channels, DecodeAccount, Limit, Series, State

__all__ = ["Channel", "Channels", "DecodeAccount", "Limit", "Series", "State", "decode"]
