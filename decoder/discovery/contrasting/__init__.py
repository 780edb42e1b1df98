"""How changes at marks are told from those that come anyway."""
