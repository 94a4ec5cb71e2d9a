"""The page and the HTTP interface behind it: an outlet of the daemon. See docs/http.md."""
