package page

import (
	"context"
	"slices"
	"sync"
)

// How many pages may listen at once, in all and from one address.
const (
	mostStreams  = 64
	streamsShare = 56
)

// seats are the places of those who listen. When all are taken, an address that
// has two more than a newcomer's gives up its oldest.
type seats struct {
	most, share int

	mu    sync.Mutex
	taken []*seat // oldest first
}

type seat struct {
	address string
	end     context.CancelFunc
}

// take gives a seat to a listener and the context in which it may listen; who
// gets one calls leave. False when there is none.
func (s *seats) take(ctx context.Context, address string) (listening context.Context, leave func(), ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	count := map[string]int{}
	for _, t := range s.taken {
		count[t.address]++
	}
	if count[address] >= s.share {
		return nil, nil, false
	}
	if len(s.taken) >= s.most {
		at := -1
		for i, t := range s.taken {
			if count[t.address] > count[address]+1 && (at < 0 || count[t.address] > count[s.taken[at].address]) {
				at = i
			}
		}
		if at < 0 {
			return nil, nil, false
		}
		s.taken[at].end()
		s.remove(s.taken[at])
	}
	listening, end := context.WithCancel(ctx)
	mine := &seat{address, end}
	s.taken = append(s.taken, mine)
	return listening, func() {
		end()
		s.mu.Lock()
		defer s.mu.Unlock()
		s.remove(mine)
	}, true
}

func (s *seats) remove(gone *seat) {
	s.taken = slices.DeleteFunc(s.taken, func(t *seat) bool { return t == gone })
}
