"""Reading photos and judging their quality."""
