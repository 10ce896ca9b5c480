"""The ground floor: the words every other floor speaks."""
