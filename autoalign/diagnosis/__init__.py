"""What is wrong with a bench: hypotheses and misalignment, and how sure they are."""
