package session

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
	"github.com/xrash/smetrics"
)

// Error is one thing wrong at one place of the file.
type Error struct {
	File         string
	Line, Column int    // from 1; Column counts characters
	Text         string // the line itself
	Width        int    // characters to underline, at least 1
	Key          string // such as distance or string 2, photo
	Problem      string // what is wrong
	Expected     string // what to write instead; may be ""
}

func (e Error) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, line %d, column %d: ", e.File, e.Line, e.Column)
	if e.Key != "" {
		fmt.Fprintf(&b, "%s: ", e.Key)
	}
	b.WriteString(e.Problem)
	pad := strings.Map(func(r rune) rune { // keep tabs, so that the line below fits
		if r == '\t' {
			return r
		}
		return ' '
	}, string([]rune(e.Text)[:min(e.Column-1, utf8.RuneCountInString(e.Text))]))
	fmt.Fprintf(&b, "\n%5d | %s\n      | %s%s", e.Line, e.Text, pad, strings.Repeat("^", e.Width))
	if e.Expected != "" {
		fmt.Fprintf(&b, "\n        expected %s", e.Expected)
	}
	return b.String()
}

// Errors is everything that was found wrong, in the order of the file.
type Errors []Error

func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// node is one key's value with its place. A table has keys and children, an
// array has children alone, anything else has text.
type node struct {
	kind     unstable.Kind // Table stands for inline tables too
	text     string        // decoded string, or the literal as written
	at       unstable.Range
	keys     []string
	keysAt   []unstable.Range
	children []*node
}

func (n *node) child(key string) *node {
	for i, k := range n.keys {
		if k == key {
			return n.children[i]
		}
	}
	return nil
}

func (n *node) put(key string, at unstable.Range, v *node) {
	n.keys, n.keysAt, n.children = append(n.keys, key), append(n.keysAt, at), append(n.children, v)
}

// document is a parsed file, for messages about its places.
type document struct {
	file string
	text []byte
	errs Errors
}

// fail notes a problem at a place of the document.
func (d *document) fail(at unstable.Range, key, problem, expected string) {
	start := min(int(at.Offset), len(d.text))
	d.failAt(start, int(at.Length), key, problem, expected)
}

func (d *document) failAt(start, length int, key, problem, expected string) {
	lineStart := bytes.LastIndexByte(d.text[:start], '\n') + 1
	line := d.text[lineStart:]
	if i := bytes.IndexByte(line, '\n'); i >= 0 {
		line = line[:i]
	}
	line = bytes.TrimSuffix(line, []byte("\r"))
	end := min(start+length, lineStart+len(line))
	width := 1
	if end > start {
		width = max(1, utf8.RuneCount(d.text[start:end]))
	}
	d.errs = append(d.errs, Error{
		File: d.file, Line: bytes.Count(d.text[:lineStart], []byte("\n")) + 1,
		Column: utf8.RuneCount(d.text[lineStart:start]) + 1, Text: strings.ToValidUTF8(string(line), "\uFFFD"),
		Width: width, Key: key, Problem: problem, Expected: expected,
	})
}

// read checks the grammar with the library's own decoder (which knows about
// repeated keys and redefined tables) and then builds the tree with places.
func (d *document) read() *node {
	root := &node{kind: unstable.Table}
	var ignored map[string]any
	if err := toml.Unmarshal(d.text, &ignored); err != nil {
		d.grammar(err)
		return root
	}
	var p unstable.Parser
	p.Reset(d.text)
	table := root
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = root
			keys := keyPath(e.Key())
			for i, k := range keys {
				last := i == len(keys)-1
				table = enter(table, k, last && e.Kind == unstable.ArrayTable)
			}
		case unstable.KeyValue:
			assign(table, e)
		}
	}
	return root
}

type part struct {
	name string
	at   unstable.Range
}

func keyPath(it unstable.Iterator) (parts []part) {
	for it.Next() {
		parts = append(parts, part{string(it.Node().Data), it.Node().Raw})
	}
	return parts
}

// enter returns the table called k.name in t, made when needed; of an array of
// tables the last one, or a new one.
func enter(t *node, k part, appendNew bool) *node {
	n := t.child(k.name)
	if n == nil {
		n = &node{kind: unstable.Table, at: k.at}
		if appendNew {
			n.kind = unstable.Array
		}
		t.put(k.name, k.at, n)
	}
	if n.kind != unstable.Array {
		return n
	}
	if appendNew || len(n.children) == 0 {
		n.children = append(n.children, &node{kind: unstable.Table, at: k.at})
	}
	return n.children[len(n.children)-1]
}

func assign(t *node, e *unstable.Node) {
	keys := keyPath(e.Key())
	for _, k := range keys[:len(keys)-1] {
		t = enter(t, k, false)
	}
	last := keys[len(keys)-1]
	t.put(last.name, last.at, value(e.Value(), last.at))
}

// value copies the parser's node; key is the place used when the library gives
// none (arrays and tables).
func value(v *unstable.Node, key unstable.Range) *node {
	n := &node{kind: v.Kind, text: string(v.Data), at: v.Raw}
	if n.at.Length == 0 {
		n.at = key
	}
	switch v.Kind {
	case unstable.Array:
		for it := v.Children(); it.Next(); {
			if c := it.Node(); c.Kind != unstable.Comment {
				n.children = append(n.children, value(c, key))
			}
		}
	case unstable.InlineTable:
		n.kind, n.text = unstable.Table, ""
		for it := v.Children(); it.Next(); {
			if c := it.Node(); c.Kind == unstable.KeyValue {
				assign(n, c)
			}
		}
	}
	return n
}

// grammar turns the library's complaint into one of ours at the same place.
func (d *document) grammar(err error) {
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		d.failAt(0, 1, "", strings.TrimPrefix(err.Error(), "toml: "), grammarHelp)
		return
	}
	row, col := de.Position()
	start := 0
	for range row - 1 {
		start += bytes.IndexByte(d.text[start:], '\n') + 1
	}
	at := min(start+col-1, len(d.text))
	if r, n := utf8.DecodeRune(d.text[at:]); strings.ContainsRune("“”„‟‘’‚«»", r) {
		d.failAt(at, n, strings.Join(de.Key(), "."), fmt.Sprintf("the quotation mark %c is not a straight one: the editor replaced it", r),
			`straight quotation marks on both sides, as in distance = "25m"; switch the editor's smart quotes off, or use a plain-text editor`)
		return
	}
	d.failAt(at, 1, strings.Join(de.Key(), "."),
		"this line cannot be read ("+strings.TrimPrefix(de.Error(), "toml: ")+")", grammarHelp)
}

const grammarHelp = `one "key = value" on a line, text and lengths in quotes (distance = "25m"), plain numbers and days without (shots = 15, date = 2026-06-01); a # starts a comment`

// nearest returns the known word closest to s, or "" when none is near: at most
// two single-letter edits, or a third of the word.
func nearest(s string, known []string) string {
	best, bestCost := "", max(2, len(s)/3)+1
	for _, k := range known {
		if c := smetrics.WagnerFischer(strings.ToLower(s), strings.ToLower(k), 1, 1, 1); c < bestCost {
			best, bestCost = k, c
		}
	}
	return best
}
