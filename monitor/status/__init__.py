"""The status API, the page and the stream: read snapshots and the record, accept entries."""
