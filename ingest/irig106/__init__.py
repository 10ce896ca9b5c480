"""IRIG 106 Chapter 10 recorder files: packets of many channels on one free-running counter."""
