// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
)

//go:embed contract
var contract embed.FS

// contractPath is where the page server serves the contract.
const contractPath = "/contract/asyncapi.json"

// Contract returns the files that say what a client may rely on: asyncapi.json for MQTT and a JSON Schema 2020-12 for
// each payload below schemas.
func Contract() (fs.FS, error) { return fs.Sub(contract, "contract") }

// AboutContract says which contract a box keeps.
type AboutContract struct {
	Version string `json:"version"`
	Path    string `json:"path"`
	SHA256  string `json:"sha256"` // over names and contents of all files, in the order of their names
}

func aboutContract() (*AboutContract, error) {
	files, err := Contract()
	if err != nil {
		return nil, fmt.Errorf("open the contract: %w", err)
	}
	sum := sha256.New()
	err = fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(sum, "%s %d\n%s", name, len(text), text)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	text, err := fs.ReadFile(files, "asyncapi.json")
	if err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	var doc struct {
		Info struct {
			Version string `json:"version"`
		} `json:"info"`
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	return &AboutContract{Version: doc.Info.Version, Path: contractPath, SHA256: hex.EncodeToString(sum.Sum(nil))}, nil
}
