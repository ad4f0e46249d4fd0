// SPDX-License-Identifier: Apache-2.0

// Package sealed keeps closed boots as Parquet files and reads recorded boots back, in whichever form they are.
//
// Words: a boot is recorded while the box runs (boot-<id>.db, SQLite, package store); once it is closed it is sealed:
// boot-<id>.readings.parquet has every reading, raw and converted, and boot-<id>.events.parquet everything else that
// entered the spine, with the snapshot the boot began with. The two together are the boot: a replay of them is the
// replay of the recording, entry by entry and bit by bit. The offset table is what ties the boot clock to UTC.
//
// Sealing never loses what was recorded: the files are written under other names, synced, read back and compared, and
// only then take their names; only after that the recording goes. The package never touches the boot that is being
// recorded, and asks nobody for the time.
//
// Sources: the Apache Parquet format (parquet.apache.org/docs/file-format), through the library parquet-go.
package sealed
