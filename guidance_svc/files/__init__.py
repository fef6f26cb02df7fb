"""Files that people write: bodies, vehicles, flight plans and settings in TOML; what `check` reads.

In: a folder. Out: checked values, or a `ConfigError` that names file, key, what was expected and what came. May
import what is below `storage`; opens no socket."""
