package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"time"

	"linewarden/internal/peers"
)

// telling is what a store has that instances share and may tell each other of.
type telling interface {
	PeerKey(ctx context.Context, size int) ([]byte, error)
	OnWritten(fn func(doc []byte))
	Deliver(doc []byte) error
	ShowPeer(ctx context.Context, address string, beat int64) error
	HidePeer(ctx context.Context, address string) error
	Peers(ctx context.Context) (map[string]int64, error)
}

const (
	peersEvery  = 5 * time.Second // how often an instance shows itself and looks for others
	peersWithin = 5 * time.Second
)

// neighbours are the other instances that are told of what is written here.
type neighbours struct {
	app     *App
	store   telling
	post    *peers.Post
	address string
	book    peers.Book
	away    bool // the list could not be read
}

// openPeers draws or reads the key, and has what is written from now on sent to the others.
func (a *App) openPeers(ctx context.Context) error {
	if a.cfg.Peers.Listen == "" {
		return nil
	}
	store, is := a.shared.(telling)
	if !is {
		return errors.New("peers: nobody else shares what is kept here")
	}
	key, err := store.PeerKey(ctx, peers.KeySize)
	if err != nil {
		return err
	}
	post, err := peers.NewPost(key, a.logger)
	if err != nil {
		return err
	}
	store.OnWritten(post.Send)
	a.neighbours, a.peerKey = &neighbours{app: a, store: store, post: post}, key
	return nil
}

// tell begins to listen to other instances and to look for them.
func (a *App) tell() error {
	n := a.neighbours
	if n == nil {
		return nil
	}
	l, err := net.Listen("tcp", a.cfg.Peers.Listen)
	if err != nil {
		return fmt.Errorf("listen for other instances on %s: %w", a.cfg.Peers.Listen, err)
	}
	if n.address = a.cfg.Peers.Address; n.address == "" {
		n.address = l.Addr().String()
	}
	for _, run := range []func(context.Context){n.run, func(ctx context.Context) {
		if err := peers.Serve(ctx, l, a.peerKey, n.store.Deliver, a.logger); err != nil {
			a.logger.Error("other instances are no longer listened to", "error", err)
		}
	}} {
		a.chores.Go(func() {
			ctx, cancel := a.life()
			defer cancel()
			run(ctx)
		})
	}
	return nil
}

// run shows this instance and looks for others until ctx ends.
func (n *neighbours) run(ctx context.Context) {
	tick := time.NewTicker(peersEvery)
	defer tick.Stop()
	defer n.post.Close()
	for beat := time.Now().UnixMilli(); ; beat++ {
		n.look(ctx, beat)
		select {
		case <-tick.C:
		case <-ctx.Done():
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), peersWithin)
			defer cancel()
			if err := n.store.HidePeer(ctx, n.address); err != nil {
				n.app.logger.Warn("this instance could not say that it is gone", "error", err)
			}
			return
		}
	}
}

func (n *neighbours) look(ctx context.Context, beat int64) {
	ctx, cancel := context.WithTimeout(ctx, peersWithin)
	defer cancel()
	list := map[string]int64{}
	err := n.store.ShowPeer(ctx, n.address, beat)
	if err == nil {
		list, err = n.store.Peers(ctx)
	}
	if err != nil {
		if !n.away && ctx.Err() == nil {
			n.app.logger.Warn("other instances cannot be looked for", "error", err)
		}
		n.away = true
		return
	}
	n.away = false
	maps.DeleteFunc(list, func(address string, _ int64) bool { return address == n.address })
	n.post.To(n.book.Look(list, time.Now()))
}
