"""The trace area: overview strip, trace, marks and the lane of decoded symbols. Start reading at `api`."""
