"""From readings to release and certificate."""
