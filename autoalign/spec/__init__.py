"""What a beam must meet, and whether it does."""
