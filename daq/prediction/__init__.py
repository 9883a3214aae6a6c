"""What another lead would do: a machine's curves over its voltage, and the circuit solved with them."""
