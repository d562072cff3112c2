"""Commands about processes and gauges."""
