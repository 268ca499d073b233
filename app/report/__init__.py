"""A session as one page that stands alone: HTML with inline SVG, no script, nothing fetched from anywhere."""
