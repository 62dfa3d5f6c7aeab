"""The learned arm direction as it is shipped: weights, card, and the recipe that made them."""
