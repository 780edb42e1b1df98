"""Cells side by side: spread, imbalance, self-discharge, sense wires, resistance."""
