"""Pictures of rods and plates."""
