"""Pages in HTML, with their templates and style sheets."""

__all__ = [
    "certificate_page",
    "figure_file",
    "lot_page",
    "run_page",
    "sampling_plan",
]
