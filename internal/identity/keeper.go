package identity

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"os"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"trigone/internal/deployment"
)

// Keeper follows the deployment file and the files that it names: what is renewed is
// believed from then on, without a restart. A state that has faults is not taken up;
// the one before stays in force, and the log says so.
type Keeper struct {
	path  string
	log   *zap.Logger
	trust atomic.Pointer[Trust]
	tried [sha256.Size]byte
	stop  context.CancelFunc
	done  chan struct{}
}

// Keep reads a deployment file and follows it until Close.
func Keep(path string, log *zap.Logger) (*Keeper, error) {
	k := &Keeper{path: path, log: log, done: make(chan struct{})}
	d, err := deployment.Load(path)
	if err != nil {
		return nil, err
	}
	t, err := Open(d)
	if err != nil {
		return nil, err
	}
	k.trust.Store(t)
	k.tried = t.state
	return k, nil
}

// lookEvery is how often the files are looked at.
const lookEvery = 2 * time.Second

// Follow begins to follow; it ends with Close. changed is told each new state.
func (k *Keeper) Follow(changed func(before, after *deployment.Deployment)) {
	ctx, stop := context.WithCancel(context.Background())
	k.stop = stop
	go func() {
		defer close(k.done)
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(lookEvery):
			}
			k.Look(changed)
		}
	}()
}

// Close ends following.
func (k *Keeper) Close() {
	if k == nil || k.stop == nil {
		return
	}
	k.stop()
	<-k.done
}

// Look takes up what changed. It is not safe for concurrent use.
func (k *Keeper) Look(changed func(before, after *deployment.Deployment)) {
	before := k.trust.Load()
	seen := k.look(before.Deployment)
	if seen == k.tried {
		return
	}
	k.tried = seen
	d, err := deployment.Load(k.path)
	var after *Trust
	if err == nil {
		after, err = Open(d)
	}
	if err != nil {
		k.log.Error("A CHANGE OF THE DEPLOYMENT IS NOT TAKEN UP: it has faults, and what was in force before stays", zap.Error(err))
		return
	}
	k.trust.Store(after)
	k.tried = after.state // of the files that are named now
	k.log.Info("certificates, keys, identities and rights were read anew", zap.Int("identities", len(d.Identities)))
	if changed != nil {
		changed(before.Deployment, d)
	}
}

// look gives the hash of the deployment file and of what d names.
func (k *Keeper) look(d *deployment.Deployment) [sha256.Size]byte {
	text, err := os.ReadFile(k.path)
	if err != nil {
		text = []byte(err.Error())
	}
	_, state := read(d, sha256.Sum256(text))
	return state
}

// Trust gives what is believed now.
func (k *Keeper) Trust() *Trust { return k.trust.Load() }

// TLS gives the configuration of a listener, each handshake by what is believed then;
// nil: none is configured. protocols are those that are spoken inside (ALPN).
func (k *Keeper) TLS(protocols ...string) *tls.Config {
	if k.Trust().server == nil {
		return nil
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: protocols, GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
		c := k.Trust().server.Clone()
		c.NextProtos = protocols
		return c, nil
	}}
}
