"""placeholder until the next stage"""


def explorer_html(reading: object) -> str:
    """Return nothing yet."""
    return ""
