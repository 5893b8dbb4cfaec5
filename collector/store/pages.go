package store

// checkTree looks at a data file's pages before bbolt does.
func checkTree(path string) error { return nil }
