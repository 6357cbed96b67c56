# Every target sets up what it needs; the second time that takes no time.
.DEFAULT_GOAL := help
.PHONY: help setup demo test check bench docs screenshots lock clean

VENV := .venv
BIN := $(VENV)/bin
# Not every PATH has the folder where Debian keeps its servers.
export PATH := $(PATH):/usr/sbin:/sbin

help:
	@echo 'make demo         an invented fleet of 12 trucks, live on the board at http://127.0.0.1:8080'
	@echo 'make test         the whole test suite'
	@echo 'make check        formatting, lint and types'
	@echo 'make bench        measure the speeds that are promised; writes bench.json'
	@echo 'make docs         write the generated pages of docs/ again'
	@echo 'make screenshots  write the pictures in docs/images/ again'
	@echo 'make lock         write requirements.lock again from pyproject.toml'
	@echo 'make clean        remove the virtual environment and caches'

$(BIN)/python:
	@python=$$(deploy/find-python.sh) && deploy/system-packages.sh venv "$$python" && \
		echo "making $(VENV) with $$python" && "$$python" -m venv $(VENV)

$(VENV)/locked.stamp: requirements.lock | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@touch $@

$(VENV)/dewline.stamp: pyproject.toml $(VENV)/locked.stamp
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-build-isolation --no-deps -e .
	@touch $@

setup: $(VENV)/dewline.stamp

demo: setup
	$(BIN)/dewline demo

test: setup
	@deploy/system-packages.sh test || true
	$(BIN)/python -m pytest

check: setup
	$(BIN)/ruff format --check
	$(BIN)/ruff check
	$(BIN)/mypy

bench: setup
	@deploy/system-packages.sh test || true
	$(BIN)/python -m benchmarks

docs: setup
	$(BIN)/python -m dewline.reference docs

screenshots: setup
	@deploy/system-packages.sh test || true
	$(BIN)/dewline screenshots --out docs/images

# setuptools builds Dewline itself and is locked with the rest.
lock:
	$(BIN)/python -m pip install --quiet --disable-pip-version-check uv
	echo 'setuptools>=77' | $(BIN)/uv pip compile --universal --python-version 3.11 --extra test \
		--generate-hashes --no-emit-index-url --no-emit-find-links --no-annotate --no-header \
		--quiet -o requirements.lock pyproject.toml -

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis build dist
