"""What clinics send: read, shown as a proposal, and turned into commands; never an act."""
