package decisions

// State is what holds after all of a record.
type State struct {
	InForce []Decision // oldest first
	Last    int        // number of the last line, 0 for none
	Undo    int        // number of the decision that an undo would take back, 0 for none
	Redo    int        // number of the decision that a redo would make again, 0 for none
}

// Replay follows undo and redo. An undo takes back the newest decision in force, a
// redo the newest one taken back, and any new decision ends what can be redone. An
// undo or redo of anything else, which this program does not write, changes nothing.
func Replay(log []Decision) State {
	var s State
	var undone []Decision
	for _, d := range log {
		s.Last = d.ID
		switch d.Kind {
		case Undo:
			if n := len(s.InForce); n > 0 && s.InForce[n-1].ID == d.Of {
				undone = append(undone, s.InForce[n-1])
				s.InForce = s.InForce[:n-1]
			}
		case Redo:
			if n := len(undone); n > 0 && undone[n-1].ID == d.Of {
				s.InForce = append(s.InForce, undone[n-1])
				undone = undone[:n-1]
			}
		default:
			s.InForce, undone = append(s.InForce, d), nil
		}
	}
	if n := len(s.InForce); n > 0 {
		s.Undo = s.InForce[n-1].ID
	}
	if n := len(undone); n > 0 {
		s.Redo = undone[n-1].ID
	}
	return s
}

// BoardOf returns what is in force about the scale of the photo with that content,
// nil for nothing. It passes over outermost rings that cannot be, by ringFits.
func (s State) BoardOf(sha256 string, ringFits func(mm float64) bool) *Board {
	var b *Board
	for _, d := range s.InForce {
		if d.SHA256 == sha256 && (d.Kind == Points || d.Kind == Ring && ringFits(d.After.Board.RingMM)) {
			b = d.After.Board
		}
	}
	return b
}
