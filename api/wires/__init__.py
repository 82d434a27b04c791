"""`/v1/wires`: the stock of round wires."""
