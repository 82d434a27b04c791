"""Who may do what, and how often: access keys, rates, and the headers that keep browsers within bounds."""
