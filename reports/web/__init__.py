"""Local pages: the programme in a browser, on this computer alone. Each page is one context, shown as HTML or as JSON."""
