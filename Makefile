# A doorway only: each target is a plain script that can be called without make.
.PHONY: demo test tidy lock docs coverage audit redraw faults soak bench

demo:
	@scripts/demo

test:
	@scripts/test

tidy:
	@scripts/tidy

lock:
	@scripts/lock

faults:
	@scripts/faults

soak:
	@scripts/soak

bench:
	@scripts/bench

docs:
	@scripts/docs

coverage:
	@scripts/coverage

audit:
	@scripts/audit

redraw:
	@scripts/redraw
