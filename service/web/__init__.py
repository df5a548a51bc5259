"""Pages, JSON API and the live stream. May import ``store`` and ``shop``; decides nothing."""
