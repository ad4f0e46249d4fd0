// SPDX-License-Identifier: Apache-2.0
import { defineConfig } from 'vitest/config'

// File names carry no hash: the server's ETag does that work, and the built page stays easy to compare.
export default defineConfig({
  base: './',
  oxc: { jsx: { runtime: 'automatic', importSource: 'preact' } },
  build: {
    outDir: '../dist', emptyOutDir: true, target: 'es2022', assetsInlineLimit: 0, modulePreload: { polyfill: false },
    cssCodeSplit: false,
    rollupOptions: { output: { entryFileNames: 'page.js', chunkFileNames: '[name].js', assetFileNames: (a) => (a.names[0]?.endsWith('.css') ? 'index.css' : '[name][extname]') } },
  },
  test: { include: ['test/*.test.ts', 'test/*.test.tsx'] },
})
