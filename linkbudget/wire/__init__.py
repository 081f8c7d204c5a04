"""The wire: line settings, receivers, baud-rate generators."""
