package review

import (
	"sync"
	"time"
)

// tabs counts the open tabs of the page and tells them when something changed.
type tabs struct {
	grace time.Duration // how long after the last tab the server waits for a reload
	gone  chan struct{} // closed when the last tab has been gone for that long

	mu    sync.Mutex
	open  map[chan string]bool
	timer *time.Timer
	ended bool
}

func newTabs(grace time.Duration) *tabs {
	return &tabs{grace: grace, gone: make(chan struct{}), open: map[chan string]bool{}}
}

// join adds a tab; the channel brings it the names of what happened.
func (t *tabs) join() chan string {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.timer != nil {
		t.timer.Stop()
		t.timer = nil
	}
	c := make(chan string, 1)
	t.open[c] = true
	return c
}

// leave takes a tab away. After the last one the server ends, unless another comes
// within the grace.
func (t *tabs) leave(c chan string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.open, c)
	if len(t.open) > 0 || t.ended {
		return
	}
	t.timer = time.AfterFunc(t.grace, t.end)
}

func (t *tabs) end() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.open) == 0 && !t.ended {
		t.ended = true
		close(t.gone)
	}
}

// tell sends every tab a word. A tab that has one waiting needs no second: it looks
// at everything anew.
func (t *tabs) tell(word string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for c := range t.open {
		select {
		case c <- word:
		default:
		}
	}
}
