"""The ledger: what was prescribed, made, ordered, tried, measured and released, and by whom."""
