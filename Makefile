# A doorway only: each target is a plain script that can be called without make.
.PHONY: demo test tidy lock

demo:
	@scripts/demo

test:
	@scripts/test

tidy:
	@scripts/tidy

lock:
	@scripts/lock
