"""An invented tour to try the tool on: cards, drives and pictures that nobody would miss."""
