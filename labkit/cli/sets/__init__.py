"""Commands that make sets."""
