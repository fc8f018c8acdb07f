# `make demo` and `make test` each do all of their own set-up, in .venv below this checkout.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready
WORKERS ?= $(shell nproc)
# what `make train` renders and how long it learns; less of all tries the recipe out. Its folder REAL is made by
# `python tools/take_real_pictures.py FOLDER`
SPOTS ?= 715
GARDENS ?= 370
PLACES ?= 54
QUICK ?= 200
DRAWN ?= 600
STEPS ?= 45000
REGION_STEPS ?= 6000

.PHONY: demo test bench lint train samples clean

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[test]'
	touch $@

demo: $(STAMP)  ## run the main job on the sample photos
	$(BIN)/turfeye demo demo

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

test: lint  ## everything that must hold
	$(BIN)/python -m pytest -n auto --dist loadfile

bench: $(STAMP)  ## accuracy and speed, beside the published values
	$(BIN)/python tools/bench.py

samples: $(STAMP)  ## render sample_images/ again; minutes with a graphics card, hours without
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[simulate]'
	$(BIN)/python tools/make_samples.py rendered/samples --sets ferry spots --spp 96
	$(BIN)/python tools/make_samples.py rendered/samples --arrange sample_images

train: $(STAMP)  ## both networks from scratch, with graphics cards: make train LABELLED=FOLDER REAL=FOLDER
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[simulate,train]'
	$(BIN)/python tools/make_training.py spots rendered/train/spots --first 30000 --count $(SPOTS) --spp 12 --workers $(WORKERS)
	$(BIN)/python tools/make_training.py gardens rendered/train/gardens --first 60000 --count $(GARDENS) --spp 24 --workers $(WORKERS)
	$(BIN)/python tools/make_training.py gardens rendered/gardens --first 5000 --count $(PLACES) --looks 3 --workers $(WORKERS)
	$(BIN)/python tools/quick_gardens.py rendered/quick --first 0 --count $(QUICK) --workers $(WORKERS)
	$(BIN)/python tools/draw_turf.py rendered/train/drawn --first 100000 --count $(DRAWN) --workers $(WORKERS)
	$(BIN)/python tools/train_sward.py --labelled $(LABELLED) --rendered rendered/train --real $(REAL) \
		--out models --folds tests/data/sward-folds --steps $(STEPS)
	$(BIN)/python tools/train_region.py models rendered/gardens rendered/quick rendered/train/spots --spots 120 --steps $(REGION_STEPS) --case tests/data

clean:
	rm -rf $(VENV) demo
