"""One direction of a link: bytes to messages and back, and how long frames can be."""

from linkbudget.codec.columns import decode_messages
from linkbudget.codec.direction import Codec, CodecMessage

__all__ = ["Codec", "CodecMessage", "decode_messages"]
