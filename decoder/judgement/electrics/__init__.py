"""What switches and isolates: contactors, pre-charge, interlock, insulation, the keep-alive battery."""
