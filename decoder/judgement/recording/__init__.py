"""What recorder and bus lost or damaged."""
