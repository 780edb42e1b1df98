"""Reading captures: candump text of both layouts, plain or compressed, into columns and an account of every line."""

from decoder.capture.read import read_blocks, read_capture

__all__ = ["read_blocks", "read_capture"]
