"""What `flashpan.plan` is made of: quantities with units, formulas, and the search among them."""
