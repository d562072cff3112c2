"""The tables that quality assurance reads, each with its columns."""
