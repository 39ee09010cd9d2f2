package store

import (
	"context"
	"database/sql/driver"

	"modernc.org/sqlite"
)

// A connection keeps the statements that it has made: to make one takes longer than
// most take to run, and the page runs the same ones for every record.

// maxKept is how many statements a connection keeps: more than there are, but for
// those with a list of any length.
const maxKept = 200

// keeping opens connections that keep their statements.
type keeping struct{ driver.Connector }

func keepStatements(dsn string) (driver.Connector, error) {
	c, err := sqlite.NewConnector(dsn)
	return keeping{c}, err
}

func (k keeping) Connect(ctx context.Context) (driver.Conn, error) {
	c, err := k.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return &keeper{c.(connection), map[string]*statement{}}, nil
}

// connection is all that a connection of the driver can do.
type connection interface {
	driver.Conn
	driver.ConnBeginTx
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

// keeper is a connection with its statements, by their text. No two goroutines use
// it at once.
type keeper struct {
	connection
	statements map[string]*statement
}

type statement struct {
	driver.Stmt
	reading bool // its rows are not closed yet
}

func (c *keeper) Close() error {
	for _, s := range c.statements {
		s.Close()
	}
	return c.connection.Close()
}

// get is the statement of a text; nil where it is not to be had, being read from.
func (c *keeper) get(ctx context.Context, text string) (*statement, error) {
	if s := c.statements[text]; s != nil {
		if s.reading {
			return nil, nil
		}
		return s, nil
	}
	if len(c.statements) == maxKept {
		return nil, nil
	}
	s, err := c.PrepareContext(ctx, text)
	if err != nil {
		return nil, err
	}
	c.statements[text] = &statement{Stmt: s}
	return c.statements[text], nil
}

func (c *keeper) ExecContext(ctx context.Context, text string, args []driver.NamedValue) (driver.Result, error) {
	s, err := c.get(ctx, text)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return c.connection.ExecContext(ctx, text, args)
	}
	return s.Stmt.(driver.StmtExecContext).ExecContext(ctx, args)
}

func (c *keeper) QueryContext(ctx context.Context, text string, args []driver.NamedValue) (driver.Rows, error) {
	s, err := c.get(ctx, text)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return c.connection.QueryContext(ctx, text, args)
	}
	rows, err := s.Stmt.(driver.StmtQueryContext).QueryContext(ctx, args)
	if err != nil {
		return nil, err
	}
	s.reading = true
	return &readingRows{rows, s}, nil
}

// readingRows are rows of a statement that is kept.
type readingRows struct {
	driver.Rows
	of *statement
}

func (r *readingRows) Close() error {
	r.of.reading = false
	return r.Rows.Close()
}
