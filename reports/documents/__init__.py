"""Documents to print: the debrief page, test cards, the handbook draft, the programme's report."""
