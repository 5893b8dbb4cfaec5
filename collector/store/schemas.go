package store

import (
	"encoding/binary"
	"errors"
	"maps"

	bolt "go.etcd.io/bbolt"
)

// Without its schema no block can be read, so each is kept twice. bbolt lays a
// bucket of up to a quarter of a page into its parent's page; a spare is
// padded beyond that, so that the two never lie on one page.
const spareSize = pageSize/4 + 64

// bucketSpares is made with the first spare; older files do not have it.
var bucketSpares = []byte("spares")

func schemaKey(id uint32) []byte { return binary.BigEndian.AppendUint32(nil, id) }

// spareKey differs from schemaKey in length, for salvage.
func spareKey(id uint32) []byte { return binary.BigEndian.AppendUint32([]byte{'s'}, id) }

func parseSpareKey(k []byte) (id uint32, ok bool) {
	if len(k) != 5 || k[0] != 's' {
		return 0, false
	}
	return binary.BigEndian.Uint32(k[1:]), true
}

// encodeSpare pads a schema's encoding.
func encodeSpare(text []byte) []byte {
	b := appendText(nil, string(text))
	return append(b, make([]byte, max(spareSize-len(b), 0))...)
}

// decodeSpare returns the schema's encoding and the schema.
func decodeSpare(payload []byte) ([]byte, *schema, error) {
	c := cursor{b: payload}
	text := c.bytes()
	if c.bad {
		return nil, nil, errBlock
	}
	sc, err := decodeSchema(text)
	return text, sc, err
}

// putSchema writes a schema and its spare.
func putSchema(tx *bolt.Tx, id uint32, text []byte) error {
	return errors.Join(put(tx.Bucket(bucketSchemas), schemaKey(id), text), putSpare(tx, id, text))
}

func putSpare(tx *bolt.Tx, id uint32, text []byte) error {
	spares, err := tx.CreateBucketIfNotExists(bucketSpares)
	if err != nil {
		return err
	}
	return put(spares, spareKey(id), encodeSpare(text))
}

// loadSchemas reads the schemas, each from its spare when it is damaged itself.
// What is not there twice is written anew with the next sealing.
func (s *Store) loadSchemas(tx *bolt.Tx) error {
	spares := s.loadSpares(tx)
	err := tx.Bucket(bucketSchemas).ForEach(func(k, v []byte) error {
		if len(k) != 4 {
			s.tell("key %x in the table of schemas is unreadable", k)
			return nil
		}
		id := binary.BigEndian.Uint32(k)
		text, err := unwrap(k, v)
		var sc *schema
		if err == nil {
			sc, err = decodeSchema(text)
		}
		spare, ok := spares[id]
		delete(spares, id)
		switch {
		case err == nil:
			s.know(id, text, sc)
			if !ok {
				s.mend[id] = string(text)
			}
		case ok:
			s.tell("schema %d is unreadable; its spare was taken (%v)", id, err)
			s.takeSpare(id, spare)
		default:
			s.tell("schema %d is unreadable, and so are the blocks written by it (%v)", id, err)
			s.topSchema = max(s.topSchema, min(id, s.topSchema+1<<16))
		}
		return nil
	})
	for id, spare := range spares {
		s.tell("schema %d is missing; its spare was taken", id)
		s.takeSpare(id, spare)
	}
	return err
}

// loadSpares reads the encodings of those spares that are whole.
func (s *Store) loadSpares(tx *bolt.Tx) map[uint32][]byte {
	spares := map[uint32][]byte{}
	bucket := tx.Bucket(bucketSpares)
	if bucket == nil {
		return spares
	}
	c := bucket.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		payload, err := unwrap(k, v)
		var text []byte
		if err == nil {
			text, _, err = decodeSpare(payload)
		}
		if id, ok := parseSpareKey(k); ok && err == nil {
			spares[id] = text
			continue
		}
		s.tell("the spare of a schema is unreadable, key %x (%v)", k, err)
	}
	return spares
}

func (s *Store) takeSpare(id uint32, text []byte) {
	if sc, err := decodeSchema(text); err == nil {
		s.know(id, text, sc)
		s.mend[id] = string(text)
	}
}

func (s *Store) know(id uint32, text []byte, sc *schema) {
	s.topSchema = max(s.topSchema, id)
	s.schemas[id], s.ids[string(text)] = sc, id
}

// mended takes from what is to be mended what a transaction wrote.
func (s *Store) mended(written map[uint32]string) {
	maps.DeleteFunc(s.mend, func(id uint32, text string) bool { return written[id] == text })
}
