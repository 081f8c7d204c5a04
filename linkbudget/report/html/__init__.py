"""The report of a replay as one HTML file: what it holds, how it is written, and the page itself."""
