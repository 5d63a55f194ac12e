# Each target sets up all it needs in a local virtual environment.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test pyside bench fuzz audit lock validate picture lint wheel clean

demo: .venv/holdfast
	$(BIN)/holdfast demo --out holdfast-demo

test: .venv/dev pyside
	$(BIN)/python -m pytest -n 2 --dist loadfile $(ARGS)

lint: .venv/dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: .venv/dev
	for script in tests/benchmarks/*.py; do $(BIN)/python $$script || exit 1; done

# Damaged input with seeds never used before. ARGS=120 for two hours.
fuzz: .venv/dev
	$(BIN)/python tests/fuzz/longer.py $(ARGS)

# Versions and hashes of all that holdfast may bring, for every platform and extra.
lock: .venv/dev
	$(BIN)/pip install --quiet uv
	$(BIN)/uv pip compile pyproject.toml --all-extras --universal --generate-hashes --python-version 3.11 \
	  --no-emit-index-url --no-annotate --quiet --output-file requirements.lock

# What is known to be vulnerable among those; asks the vulnerability service of the Python package index.
audit: .venv/dev
	$(BIN)/pip install --quiet pip-audit
	$(BIN)/pip-audit --strict --disable-pip --requirement requirements.lock

# Phantom pairs through the whole comparison: writes validation/. ARGS="--pairs 200" for a quick look.
validate: .venv/dev
	OPENBLAS_NUM_THREADS=1 $(BIN)/python tests/validation.py $(ARGS)

# The README's picture of the reading room.
picture: .venv/dev
	.ci/system-packages
	$(BIN)/python tests/picture.py $(ARGS)

# The window with the other Qt binding. One process holds one binding, so it has an environment of its own.
pyside: .venv-pyside6/ready
	.ci/system-packages
	.venv-pyside6/bin/python tests/viewer_with_pyside.py

.venv-pyside6/ready: pyproject.toml
	test -x .venv-pyside6/bin/python || $(PYTHON) -m venv .venv-pyside6
	.venv-pyside6/bin/python -m pip install --quiet ".[viewer-pyside6]"
	touch $@

# The wheel, installed alone in a fresh environment, runs the demo.
wheel: .venv/dev
	rm -rf build/wheel && $(BIN)/python -m build --quiet --wheel --outdir build/wheel
	$(PYTHON) -m venv --clear build/wheel/venv
	build/wheel/venv/bin/pip install --quiet build/wheel/*.whl
	cd build/wheel && venv/bin/holdfast demo --out out > demo.txt && tail -n 3 demo.txt

clean:
	rm -rf .venv .venv-pyside6 build dist holdfast-demo

.venv/holdfast: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet -e .
	touch $@

.venv/dev: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet -e ".[dev]"
	touch $@ .venv/holdfast
