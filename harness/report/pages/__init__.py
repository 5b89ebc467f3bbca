"""Pages in HTML, with their templates and style sheets."""
