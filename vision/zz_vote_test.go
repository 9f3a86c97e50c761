package vision

import "sync"

var zzMu sync.Mutex
