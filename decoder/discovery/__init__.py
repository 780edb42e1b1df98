"""What can be found in frames that nobody has described."""
