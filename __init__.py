"""trimshot: finds the stabilised points and configuration events in a sortie's logs."""
