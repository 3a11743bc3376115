"""What a workshop does with the numbers."""
