"""The numbered steps that bring a ledger of any earlier revision up to date."""
