"""What follows from a comparison for whoever acts on it: what to buy, what to beware of. Advice, with its doubts."""
