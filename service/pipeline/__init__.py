"""The stages over rows: sky -> refresh -> judge and tell -> deliver, each restartable."""
