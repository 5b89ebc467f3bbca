"""What parts ought to lose: the catalogue, chains of parts, and the loss compared with it."""

__all__ = [
    "catalogue_files",
    "catalogue_parts",
    "connector_ends",
    "expected_loss",
    "link_effect",
    "part_list",
]
