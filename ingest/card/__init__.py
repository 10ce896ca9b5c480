"""Test cards: what the crew wrote down."""
