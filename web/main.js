import { keeping } from 'leeward/offline.js';
import { post } from 'leeward/post.js';
import { connect } from 'leeward/socket.js';
import { start } from 'leeward/start.js';

start(keeping(connect), post);
