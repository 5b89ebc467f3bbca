"""What is wrong with an item, from the shape of its loss and its reflections."""
