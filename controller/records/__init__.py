"""What is kept on the card: what people asked for, and what became of it."""
