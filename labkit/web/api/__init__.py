"""The workplace for programs: the same use cases, accounts and roles, asked and told in JSON."""
