package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"time"

	_ "modernc.org/sqlite"

	"tickover/model"
	"tickover/testdata/soak"
)

// sqlite is one table by point and instant, written ahead and flushed with
// each transaction, one a minute. It keeps an eighth of a day: what a sample
// takes does not hang on how many there are.
type sqlite struct{}

const sqliteSeconds = daySeconds / 8

func openSQLite(dir string) (*sql.DB, error) {
	return sql.Open("sqlite", filepath.Join(dir, "s.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
}

func (sqlite) keep(dir string, _ int) (k kept, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return k, err
	}
	db, err := openSQLite(dir)
	if err != nil {
		return k, err
	}
	if _, err := db.Exec("CREATE TABLE s (p INTEGER, t INTEGER, v REAL, PRIMARY KEY (p, t)) WITHOUT ROWID"); err != nil {
		return k, err
	}
	g, ids := soak.New(), pointNumbers()
	before, begin := written(), time.Now()
	for range sqliteSeconds / 60 {
		if err := putMinute(db, g, ids); err != nil {
			return k, err
		}
	}
	k.Rate = rate(32*sqliteSeconds, time.Since(begin))
	if _, err := db.Exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return k, err
	}
	k.Written = (written() - before) / 1e6 * daySeconds / sqliteSeconds
	k.Log = resident()
	k.File = size(dir) / (32 * sqliteSeconds)
	return k, db.Close()
}

func putMinute(db *sql.DB, g *soak.Generator, ids map[model.PointID]int) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	put, err := tx.Prepare("INSERT INTO s VALUES (?, ?, ?)")
	if err != nil {
		return err
	}
	for range 60 {
		for _, scan := range g.Next() {
			for _, x := range scan.Samples {
				if _, err := put.Exec(ids[x.Point], int64(scan.At.Offset/time.Millisecond), x.Value); err != nil {
					return err
				}
			}
		}
	}
	return tx.Commit()
}

// pointNumbers gives every point one.
func pointNumbers() map[model.PointID]int {
	ids := map[model.PointID]int{}
	for _, scan := range soak.New().Next() {
		for _, x := range scan.Samples {
			ids[x.Point] = len(ids)
		}
	}
	return ids
}

type sqlReader struct{ db *sql.DB }

func (sqlite) open(dir string) (reader, error) {
	db, err := openSQLite(dir)
	return sqlReader{db}, err
}

func (r sqlReader) read(all bool) (n int, err error) {
	question, one := "SELECT t, v FROM s WHERE p = ?", pointNumbers()[model.VoltageL1N]
	if all {
		question, one = "SELECT t, v FROM s WHERE p >= ?", 0
	}
	rows, err := r.db.Query(question, one)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var t int64
		var v float64
		if err := rows.Scan(&t, &v); err != nil {
			return n, err
		}
		n++
	}
	return n, rows.Err()
}

func (r sqlReader) close() error { return r.db.Close() }
