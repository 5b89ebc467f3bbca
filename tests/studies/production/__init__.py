"""A lot on the production bench, hands-free over TCP, killed on the way and taken up again."""
