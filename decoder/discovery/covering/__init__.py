"""What a signal map explains of a capture, and whether it fits."""
