"""How values stand in files: one form for each field; reading and writing follow from it."""
