"""From readings to the loss of a band, its budget and its verdict."""
